"""The gate at the engine's input: an invalid sample never reaches a filter.

Invalid is what is not a number and what lies beyond +60 dBFS. One NaN stays in a recursive filter's state, and one
sample of 1e38 outweighs hours of sound in a sum. The ticks that hold an invalid sample are passed on as a gap.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import CEILING, TICKS_PER_SECOND, FloatArray

ONLY_INVALID_SECONDS = 1.0
ONLY_INVALID = (
    "No sample is a number within +60 dBFS, so nothing is measured; check the sample format and the last plug-in "
    "before this output."
)


class Sanitiser:
    """Turns raw blocks into clean float64 pieces and gaps; counts the invalid samples.

    ``pieces(block)`` yields arrays to process and ints (frames to skip), in order.
    """

    def __init__(self, rate_hz: int) -> None:
        self._tick_frames = max(1, rate_hz // TICKS_PER_SECOND)
        self._only_invalid_frames = round(ONLY_INVALID_SECONDS * rate_hz)
        self._gap_frames = 0
        self.invalid_samples = 0
        self.valid_frames = 0

    @property
    def only_invalid(self) -> bool:
        """Whether no valid tick has come for the last second of sound."""
        return self._gap_frames >= self._only_invalid_frames

    def pieces(self, block: NDArray[np.floating]) -> Iterator[FloatArray | int]:
        """Clean pieces of ``(frames, channels)``, float64, and the gaps between them; may be views of ``block``."""
        clean = block.astype(np.float64, copy=False)
        # NaN compares false, so two comparisons catch NaN, infinity and what is too large.
        if float(clean.max(initial=0.0)) <= CEILING and float(clean.min(initial=0.0)) >= -CEILING:
            self._count(len(clean), valid=True)
            yield clean
            return
        valid = np.abs(clean) <= CEILING
        self.invalid_samples += int(valid.size - valid.sum())
        yield from self._split(clean, np.asarray(valid.all(axis=1)))

    def _split(self, clean: FloatArray, good: NDArray[np.bool_]) -> Iterator[FloatArray | int]:
        """Runs of good ticks as arrays, runs of ticks that hold a bad frame as their length."""
        starts = np.arange(0, len(clean), self._tick_frames)
        tick_good = np.logical_and.reduceat(good, starts)
        turns = np.flatnonzero(np.diff(tick_good)) + 1
        for first, last in zip([0, *turns], [*turns, len(starts)], strict=True):
            begin = int(starts[first])
            end = int(starts[last]) if last < len(starts) else len(clean)
            self._count(end - begin, valid=bool(tick_good[first]))
            yield clean[begin:end] if tick_good[first] else end - begin

    def _count(self, frames: int, *, valid: bool) -> None:
        if valid and frames:
            self.valid_frames += frames
            self._gap_frames = 0
        elif not valid:
            self._gap_frames += frames
