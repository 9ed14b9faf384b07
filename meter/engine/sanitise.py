"""The gate at the engine's input: what is not a number never reaches a filter.

One NaN in a recursive filter's state stays there for ever, so ticks that hold one are handed on as a gap. Values
beyond +60 dBFS are clamped to it: finite, absurd, and still harmless to float64 sums.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from dsp.types import TICKS_PER_SECOND, FloatArray

CEILING = 1000.0
"""+60 dBFS."""


class Sanitiser:
    """Turns raw blocks into clean float64 pieces and gaps; counts what it refused.

    ``pieces(block)`` yields arrays to process and ints (frames to skip), in order.
    """

    def __init__(self, rate_hz: int) -> None:
        self._tick_frames = max(1, rate_hz // TICKS_PER_SECOND)
        self.invalid_samples = 0

    def pieces(self, block: NDArray[np.floating]) -> Iterator[FloatArray | int]:
        """Clean pieces of ``(frames, channels)``, float64, and the gaps between them; may be views of ``block``."""
        clean = block.astype(np.float64, copy=False)
        # NaN compares false, so two comparisons catch NaN, infinity and what is too large.
        if float(clean.max(initial=0.0)) <= CEILING and float(clean.min(initial=0.0)) >= -CEILING:
            yield clean
            return
        finite = np.isfinite(clean)
        self.invalid_samples += int((~finite).sum()) + int((np.abs(clean[finite]) > CEILING).sum())
        yield from self._split(np.clip(clean, -CEILING, CEILING), np.asarray(finite.all(axis=1)))

    def _split(self, clean: FloatArray, good: NDArray[np.bool_]) -> Iterator[FloatArray | int]:
        """Runs of good ticks as arrays, runs of ticks that hold a bad frame as their length."""
        starts = np.arange(0, len(clean), self._tick_frames)
        tick_good = np.logical_and.reduceat(good, starts)
        turns = np.flatnonzero(np.diff(tick_good)) + 1
        for first, last in zip([0, *turns], [*turns, len(starts)], strict=True):
            begin = int(starts[first])
            end = int(starts[last]) if last < len(starts) else len(clean)
            yield clean[begin:end] if tick_good[first] else end - begin
