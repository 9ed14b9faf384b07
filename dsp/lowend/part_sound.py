"""The sound kept of one part, and what it answers: lowest note, rumble, decay.

The answers over the same stretch are the same, live and offline.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from dsp.core.framing import Held, longest_unbroken
from dsp.core.types import FloatArray
from dsp.core.units import db_to_power, power_to_db
from dsp.lowend.decay import Decay, decay
from dsp.lowend.drum_note import share_apart
from dsp.lowend.low_band import LOW_END_HZ
from dsp.lowend.low_spectrum import BOTTOM_HZ, LowSpectra
from dsp.lowend.lowest_note import DRUM, LowestNote, LowSound, lowest_note
from dsp.lowend.note_frames import FRAME_SECONDS, HOP_SECONDS
from dsp.lowend.onsets import SILENCE_DBFS, frame_power

HALF_OCTAVE = 2.0**0.5


@dataclass(frozen=True)
class Rumble:
    """What lies more than half an octave under a part's lowest note, wherever the part is above -60 dBFS.

    Levels in decibels: ``level_dbfs`` (a full-scale sine reads 0, AES17), against the whole part, and against the
    low end (20 to 120 Hz) of the mix. ``power`` over ``frequency_hz`` is its mean spectrum. NaN when not known.
    """

    level_dbfs: float
    against_part_db: float
    against_mix_lows_db: float
    power: FloatArray
    frequency_hz: FloatArray


@dataclass(frozen=True)
class PartSound:
    """Low audio and the power of the whole part at ``rate_hz``, rows of ``NoteFrames`` and rows of ``LowSpectrum``.

    ``samples`` counts the low audio since the start of the stream, of which the newest is kept. Rows are joined when
    they are first asked for.
    """

    rate_hz: float
    samples: int
    held_audio: Held
    held_power: Held
    held_notes: Held
    held_spectra: Held
    frequency_hz: FloatArray

    @cached_property
    def kept(self) -> FloatArray:
        """All low audio that is kept, as it came, ``(samples, channels)``; NaN where lost."""
        return self.held_audio.rows()

    @cached_property
    def rows(self) -> FloatArray:
        """Rows of ``LowSpectrum`` as they came, gaps and all, so that rows of two parts stand side by side."""
        return self.held_spectra.rows()

    def audio(self, stretch: slice | None = None) -> FloatArray:
        """Low audio of ``stretch`` (by default the longest without a gap) of what is kept, offset taken away."""
        cut = self.kept[longest_unbroken(self.kept) if stretch is None else stretch].astype(np.float64)
        return cut - cut.mean(axis=0) if len(cut) else cut

    def spectra(self) -> LowSpectra:
        """Low spectra of frames without a gap."""
        return LowSpectra.of(self.rows, self.frequency_hz)

    def lowest_note(self) -> LowestNote:
        """The lowest note of the part, or the note of a drum, or the reason why there is none."""
        return lowest_note(self._low_sound)

    @cached_property
    def _low_sound(self) -> LowSound:
        stretch = longest_unbroken(self.kept)
        frames = self.held_notes.rows()
        hop = round(HOP_SECONDS * self.rate_hz)
        seen = max(0, (self.samples - round(FRAME_SECONDS * self.rate_hz)) // hop + 1)
        first = self.samples - len(self.kept) + stretch.start
        starts = (np.arange(len(frames)) + seen - len(frames)) * hop - first
        audio = self.audio(stretch)
        # A converter's offset is power, but no sound.
        offset = frame_power(self.kept[stretch].astype(np.float64)) - frame_power(audio)
        power = np.maximum(self.held_power.rows()[stretch, 0] - offset, 0.0)
        return LowSound(audio, power, self.rate_hz, frames, starts, self.spectra())

    def rumble(self, floor_hz: float, mix_rows: FloatArray | None = None, kind: str = "") -> Rumble:
        """Energy under ``floor_hz`` over the square root of 2; ``mix_rows`` are the mix's, of the same frames.

        Of a drum (``kind`` of its ``LowestNote``) without what its own attacks spread there.
        """
        rows, frequency_hz = self.rows, self.frequency_hz
        # Rumble goes on between the notes, so only silence has no vote here; NaN compares false.
        votes = rows[:, 0] >= db_to_power(SILENCE_DBFS)
        under = (frequency_hz >= BOTTOM_HZ) & (frequency_hz < floor_hz / HALF_OCTAVE)
        if not votes.any() or not np.isfinite(floor_hz):
            return Rumble(np.nan, np.nan, np.nan, np.empty(0), np.empty(0))
        power = rows[votes, 1:][:, under].mean(axis=0)
        if kind == DRUM:
            sound = self._low_sound
            power *= share_apart(sound.signal, sound.full_power, self.rate_hz, floor_hz / HALF_OCTAVE)
        total = float(power.sum())
        lows = 0.0
        if mix_rows is not None and len(mix_rows) == len(rows):
            band = LowSpectra.of(mix_rows[votes], frequency_hz).band(*LOW_END_HZ)
            lows = float(band.mean()) if len(band) else 0.0
        against_mix = power_to_db(total / lows) if lows > 0.0 else float("nan")
        against_part = power_to_db(total / float(rows[votes, 0].mean()))
        return Rumble(power_to_db(2.0 * total), against_part, against_mix, power, frequency_hz[under])

    def decay(
        self, fundamental_hz: float, next_notes: FloatArray | None = None, stretch: slice | None = None
    ) -> Decay:
        """Decay in the octave round ``fundamental_hz``; times count from the start of ``stretch``."""
        return decay(self.audio(stretch), self.rate_hz, fundamental_hz, next_notes)


def common_spectra(first: PartSound, second: PartSound) -> tuple[LowSpectra, LowSpectra]:
    """Low spectra of two parts of one clock, frame by frame beside each other, without those that hold a gap."""
    rows, others = first.rows, second.rows
    count = min(len(rows), len(others))
    rows, others = rows[len(rows) - count :], others[len(others) - count :]
    whole = np.isfinite(rows[:, 0]) & np.isfinite(others[:, 0])
    return LowSpectra.of(rows[whole], first.frequency_hz), LowSpectra.of(others[whole], second.frequency_hz)


def common_stretch(parts: Sequence[PartSound]) -> slice:
    """The longest stretch of what is kept in which none of the parts has a gap."""
    length = min((len(part.kept) for part in parts), default=0)
    whole = np.zeros((length, 1))
    for part in parts:
        kept = part.kept[len(part.kept) - length :]
        if np.isnan(kept.sum()):  # seldom, and ten times as fast as adding up every part
            whole[:, 0] += kept.sum(axis=1)
    return longest_unbroken(whole)
