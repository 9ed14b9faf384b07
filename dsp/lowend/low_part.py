"""What one part of a song leaves for the low end while it plays: its low audio, its notes and its low spectrum.

Feed it blocks and take its ``sound`` at any time. With ``keep_seconds`` None it keeps all of the song (offline); with
a number it looks back that far (live), and further for notes only, which are small.
"""

from __future__ import annotations

import numpy as np

from dsp.core.framing import History
from dsp.core.mid_rate import MidRate
from dsp.core.types import FloatArray, check_block
from dsp.lowend.low_spectrum import LowSpectrum
from dsp.lowend.note_frames import HOP_SECONDS, NOTE_COLUMNS, NoteFrames
from dsp.lowend.part_sound import PartSound

NOTES_KEPT_SECONDS = 1200.0


class LowPart:
    """The stream of one part, ``(frames, channels)`` at ``rate_hz``.

    Blocks of a second cost a seventh of blocks of 10 ms. ``with_notes`` False leaves pitch out.
    """

    def __init__(
        self, rate_hz: int, channels: int, keep_seconds: float | None = 30.0, with_notes: bool = True
    ) -> None:
        self._channels = channels
        self._mid = MidRate(rate_hz, channels)
        self._notes = NoteFrames(self._mid.rate_hz, channels) if with_notes else None
        self._spectrum = LowSpectrum(self._mid.rate_hz, channels)

        def kept(each_seconds: float, at_least: float = 0.0) -> int | None:
            return None if keep_seconds is None else max(1, round(max(keep_seconds, at_least) / each_seconds))

        self._audio = History(kept(1.0 / self._mid.rate_hz), channels, np.float32)
        self._power = History(kept(1.0 / self._mid.rate_hz), 1, np.float32)
        self._note_rows = History(kept(HOP_SECONDS, NOTES_KEPT_SECONDS), NOTE_COLUMNS)
        self._spectrum_rows = History(kept(self._spectrum.hop_seconds), 1 + len(self._spectrum.frequency_hz))
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._samples = 0
        for stage in (self._mid, self._spectrum, self._audio, self._power, self._note_rows, self._spectrum_rows):
            stage.reset()
        if self._notes is not None:
            self._notes.reset()

    def push(self, block: FloatArray) -> None:
        """Take one block; NaN marks lost audio. Raises ValueError for another number of channels."""
        check_block(block, self._channels)
        self._take(*self._mid.push(block))

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        self._take(*self._mid.skip(frames))

    def sound(self) -> PartSound:
        """What is kept so far. Later blocks do not change it, so another thread may read it."""
        return PartSound(
            self._mid.rate_hz,
            self._samples,
            self._audio.held(),
            self._power.held(),
            self._note_rows.held(),
            self._spectrum_rows.held(),
            self._spectrum.frequency_hz,
        )

    def _take(self, samples: FloatArray, power: FloatArray) -> None:
        self._samples += len(samples)
        self._audio.push(samples)
        self._power.push(power[:, None])
        if self._notes is not None:
            self._note_rows.push(self._notes.push(samples))
        self._spectrum_rows.push(self._spectrum.push(samples, power))
