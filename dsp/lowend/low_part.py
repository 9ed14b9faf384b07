"""One part of a song as the low end sees it: its low audio, its notes and its low spectrum, kept for a while.

Feed it blocks; ask it for its lowest note, its rumble and its ring at any time. With ``keep_seconds`` None it keeps
all of the song (offline); with a number it looks back that far (live), and further for notes only, which are small.
The answers over the same stretch are the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dsp.core.framing import History, longest_unbroken
from dsp.core.mid_rate import MidRate
from dsp.core.types import FloatArray, check_block
from dsp.core.units import db_to_power, power_to_db
from dsp.lowend.decay import Ring, ring
from dsp.lowend.drum_note import share_apart
from dsp.lowend.low_band import LOW_END_HZ
from dsp.lowend.low_spectrum import BOTTOM_HZ, LowSpectra, LowSpectrum
from dsp.lowend.lowest_note import DRUM, LowestNote, LowSound, lowest_note
from dsp.lowend.note_frames import FRAME_SECONDS, HOP_SECONDS, NOTE_COLUMNS, NoteFrames
from dsp.lowend.onsets import SILENCE_DBFS, frame_power

NOTES_KEPT_SECONDS = 1200.0
LOT_SECONDS = 1.0
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


class LowPart:
    """The stream of one part, ``(frames, channels)`` at ``rate_hz``.

    Blocks are copied and worked through a second at a time, or when something is asked: ticks of 10 ms would
    cost three times as much. ``turn``, 0 to 1, says where in the second the first lot falls due, so that many
    parts in one thread take turns. ``with_notes`` False leaves pitch out.
    """

    def __init__(
        self,
        rate_hz: int,
        channels: int,
        keep_seconds: float | None = 30.0,
        with_notes: bool = True,
        turn: float = 0.0,
    ) -> None:
        self._lot_frames = round(LOT_SECONDS * rate_hz)
        self._first_lot_frames = max(1, round((1.0 - turn % 1.0) * self._lot_frames))
        self._channels = channels
        self._mid = MidRate(rate_hz, channels)
        self.rate_hz = self._mid.rate_hz
        self._notes = NoteFrames(self.rate_hz, channels) if with_notes else None
        self._spectrum = LowSpectrum(self.rate_hz, channels)
        self.frequency_hz = self._spectrum.frequency_hz
        self.hop_seconds = self._spectrum.hop_seconds

        def kept(each_seconds: float, at_least: float = 0.0) -> int | None:
            return None if keep_seconds is None else max(1, round(max(keep_seconds, at_least) / each_seconds))

        # A lot never waits longer than to the end of the block that completes it.
        self._waiting = np.empty((2 * self._lot_frames, channels))
        self._audio = History(kept(1.0 / self.rate_hz), channels, np.float32)
        self._power = History(kept(1.0 / self.rate_hz), 1, np.float32)
        self._note_rows = History(kept(HOP_SECONDS, NOTES_KEPT_SECONDS), NOTE_COLUMNS)
        self._spectrum_rows = History(kept(self.hop_seconds), 1 + len(self.frequency_hz))
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._waiting_frames = 0
        self._samples = 0
        self._due_frames = self._first_lot_frames
        for stage in (self._mid, self._spectrum, self._audio, self._power, self._note_rows, self._spectrum_rows):
            stage.reset()
        if self._notes is not None:
            self._notes.reset()

    def push(self, block: FloatArray) -> None:
        """Take one block; NaN marks lost audio. Raises ValueError for another number of channels."""
        check_block(block, self._channels)
        if self._waiting_frames + len(block) > len(self._waiting):
            self._settle()
        if not self._waiting_frames and len(block) >= self._lot_frames:
            self._take(*self._mid.push(block))
            return
        self._waiting[self._waiting_frames : self._waiting_frames + len(block)] = block
        self._waiting_frames += len(block)
        if self._waiting_frames >= self._due_frames:
            self._settle()
            self._due_frames = self._lot_frames

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        self._settle()
        self._take(*self._mid.skip(frames))

    def _settle(self) -> None:
        """Work through what waits."""
        if self._waiting_frames:
            lot = self._waiting[: self._waiting_frames]
            self._waiting_frames = 0
            self._take(*self._mid.push(lot))

    def _take(self, samples: FloatArray, power: FloatArray) -> None:
        self._samples += len(samples)
        self._audio.push(samples)
        self._power.push(power[:, None])
        if self._notes is not None:
            self._note_rows.push(self._notes.push(samples))
        self._spectrum_rows.push(self._spectrum.push(samples, power))

    def audio(self, stretch: slice | None = None) -> FloatArray:
        """Low audio of ``stretch`` (by default the longest without a gap) of what is kept, offset taken away."""
        rows = self.kept()
        cut = rows[longest_unbroken(rows) if stretch is None else stretch].astype(np.float64)
        return cut - cut.mean(axis=0) if len(cut) else cut

    def kept(self) -> FloatArray:
        """All low audio that is kept, as it came; NaN where lost."""
        self._settle()
        return np.asarray(self._audio.rows())

    def spectra(self) -> LowSpectra:
        """Low spectra of frames without a gap."""
        return LowSpectra.of(self.rows(), self.frequency_hz)

    def rows(self) -> FloatArray:
        """Rows of ``LowSpectrum`` as they came, gaps and all, so that rows of two parts stand side by side."""
        self._settle()
        return np.asarray(self._spectrum_rows.rows())

    def lowest_note(self) -> LowestNote:
        """The lowest note of the part, or the note of a drum, or the reason why there is none."""
        self._settle()
        return lowest_note(self._low_sound())

    def _low_sound(self) -> LowSound:
        kept = self.kept()
        stretch = longest_unbroken(kept)
        frames = self._note_rows.rows()
        hop = round(HOP_SECONDS * self.rate_hz)
        seen = max(0, (self._samples - round(FRAME_SECONDS * self.rate_hz)) // hop + 1)
        starts = (np.arange(len(frames)) + seen - len(frames)) * hop - (self._samples - len(kept)) - stretch.start
        audio = self.audio(stretch)
        # A converter's offset is power, but no sound.
        offset = frame_power(kept[stretch].astype(np.float64)) - frame_power(audio)
        power = np.maximum(self._power.rows()[stretch, 0] - offset, 0.0)
        return LowSound(audio, power, self.rate_hz, frames, starts, self.spectra())

    def rumble(self, floor_hz: float, mix_rows: FloatArray | None = None, kind: str = "") -> Rumble:
        """Energy under ``floor_hz`` over the square root of 2; ``mix_rows`` are the mix's, of the same frames.

        Of a drum (``kind`` of its ``LowestNote``) without what its own attacks spread there.
        """
        rows, frequency_hz = self.rows(), self.frequency_hz
        # Rumble goes on between the notes, so only silence has no vote here; NaN compares false.
        votes = rows[:, 0] >= db_to_power(SILENCE_DBFS)
        under = (frequency_hz >= BOTTOM_HZ) & (frequency_hz < floor_hz / HALF_OCTAVE)
        if not votes.any() or not np.isfinite(floor_hz):
            return Rumble(np.nan, np.nan, np.nan, np.empty(0), np.empty(0))
        power = rows[votes, 1:][:, under].mean(axis=0)
        if kind == DRUM:
            sound = self._low_sound()
            power *= share_apart(sound.signal, sound.full_power, self.rate_hz, floor_hz / HALF_OCTAVE)
        total = float(power.sum())
        lows = 0.0
        if mix_rows is not None and len(mix_rows) == len(rows):
            band = LowSpectra.of(mix_rows[votes], frequency_hz).band(*LOW_END_HZ)
            lows = float(band.mean()) if len(band) else 0.0
        against_mix = power_to_db(total / lows) if lows > 0.0 else float("nan")
        against_part = power_to_db(total / float(rows[votes, 0].mean()))
        return Rumble(power_to_db(2.0 * total), against_part, against_mix, power, frequency_hz[under])

    def ring(self, fundamental_hz: float, next_notes: FloatArray | None = None, stretch: slice | None = None) -> Ring:
        """How long the part rings in the octave round ``fundamental_hz``; times count from the stretch's start."""
        return ring(self.audio(stretch), self.rate_hz, fundamental_hz, next_notes)


def common_spectra(first: LowPart, second: LowPart) -> tuple[LowSpectra, LowSpectra]:
    """Low spectra of two parts of one clock, frame by frame beside each other, without those that hold a gap."""
    rows, others = first.rows(), second.rows()
    count = min(len(rows), len(others))
    rows, others = rows[len(rows) - count :], others[len(others) - count :]
    whole = np.isfinite(rows[:, 0]) & np.isfinite(others[:, 0])
    return LowSpectra.of(rows[whole], first.frequency_hz), LowSpectra.of(others[whole], second.frequency_hz)


def common_stretch(parts: Sequence[LowPart]) -> slice:
    """The longest stretch of what is kept in which none of the parts has a gap."""
    lengths = [len(part.kept()) for part in parts]
    whole = np.zeros((min(lengths, default=0), 1))
    for part, length in zip(parts, lengths, strict=True):
        whole[:, 0] += part.kept()[length - len(whole) :].sum(axis=1)
    return longest_unbroken(whole)
