"""A look at one part: its lowest note, what lies under it, and how its hits die away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dsp.core.types import FloatArray
from dsp.core.units import power_to_db
from dsp.lowend.decay import Decay
from dsp.lowend.low_spectrum import LowSpectra
from dsp.lowend.low_stretch import LowStretch
from dsp.lowend.lowest_note import DRUM, LowestNote
from dsp.lowend.onsets import onsets
from dsp.lowend.part_sound import Rumble, common_stretch
from dsp.lowend.shares import Owners

NAN = float("nan")
MOST_LISTENED_FOR = 8
"""Next low notes are searched in this many parts at most, those with the largest shares."""
SPECTRUM_HZ = 20.0 * 2.0 ** (np.arange(81) / 18.0)
"""Edges of the 80 bands, 18 to the octave, in which a part's low spectrum is shown: 20 to 435 Hz."""
UNKNOWN_NOTE, NEITHER, TOO_HIGH = (
    "the lowest note is not known", "neither a drum nor an owner of the low end", "too high to matter here",
)  # fmt: skip


@dataclass(frozen=True)
class Look:
    """Findings of one part. ``spectrum_db`` is the level of its loud frames in the bands between ``SPECTRUM_HZ``."""

    note: LowestNote
    rumble: Rumble
    decay: Decay
    spectrum_db: FloatArray


def look_at(stretch: LowStretch, parts: Sequence[int], owners: Owners) -> dict[int, Look]:
    """A look at each of ``parts``, by number."""
    mix_rows = (stretch.mix or stretch.together).rows
    begins = _Begins(stretch, (*owners.owners, *owners.others)[:MOST_LISTENED_FOR])
    found = {}
    for number in parts:
        sound = stretch.parts[number]
        note = sound.lowest_note()
        rumble = sound.rumble(note.floor_hz, mix_rows, note.kind)
        found[number] = Look(note, rumble, _decay(number, note, owners, begins), spectrum_db(sound.spectra()))
    return found


class _Begins:
    """Times at which low notes begin in the parts that matter, each searched once and only when asked for."""

    def __init__(self, stretch: LowStretch, notable: Sequence[int]) -> None:
        self.stretch, self._notable = stretch, notable
        self.common = common_stretch(stretch.parts)
        self._found: dict[int, FloatArray] = {}

    def near(self, number: int) -> FloatArray:
        """Seconds of the common stretch at which this part or another that matters has a low note."""
        return np.sort(np.concatenate([self._of(other) for other in {*self._notable, number}]))

    def _of(self, number: int) -> FloatArray:
        if number not in self._found:
            sound = self.stretch.parts[number]
            self._found[number] = onsets(sound.audio(self.common), sound.rate_hz)
        return self._found[number]


def _decay(number: int, note: LowestNote, owners: Owners, begins: _Begins) -> Decay:
    """The decay of one part, with the low notes of all parts that matter as the next events."""
    sound = begins.stretch.parts[number]
    reason = ""
    if not np.isfinite(note.floor_hz):
        reason = UNKNOWN_NOTE
    elif note.kind != DRUM and number not in owners.owners:
        reason = NEITHER
    elif note.floor_hz * np.sqrt(2.0) >= sound.rate_hz / 2.0:
        reason = TOO_HIGH
    if reason:
        return Decay(0, NAN, NAN, NAN, NAN, NAN, reason)
    return sound.decay(note.floor_hz, begins.near(number), begins.common)


def spectrum_db(spectra: LowSpectra) -> FloatArray:
    """Mean level of the rows in the bands between ``SPECTRUM_HZ``, a full-scale sine 0 dB; NaN without rows."""
    if not len(spectra.bins):
        return np.full(len(SPECTRUM_HZ) - 1, np.nan)
    running = np.concatenate([[0.0], np.cumsum(spectra.bins.mean(axis=0))])
    # Bins are as wide as the distance between them, half of it to either side.
    half = 0.5 * float(spectra.frequency_hz[1])
    edges = np.concatenate([spectra.frequency_hz - half, [spectra.frequency_hz[-1] + half]])
    return power_to_db(np.asarray(2.0 * np.diff(np.interp(SPECTRUM_HZ, edges, running))))
