"""Clipped runs: three or more successive samples of one channel at the same extreme."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray

FULL_SCALE = 32_767 / 32_768
"""Highest value of a 16-bit file; a converter clips above it."""

RUN_SAMPLES = 3
"""Samples at full scale that make a clipped run (common practice, no source). A full-scale tone under 60 Hz at
48 kHz has such runs as well and counts as clipping."""


class ClippedRuns:
    """Counts the clipped runs of a stream ``(frames, channels)``, all channels added up, for any block size."""

    def __init__(self, channels: int) -> None:
        self._last = np.zeros((RUN_SAMPLES, channels), dtype=np.int8)
        self.count = 0

    def reset(self) -> None:
        """Forget the signal and the count."""
        self.interrupt()
        self.count = 0

    def interrupt(self) -> None:
        """End the runs: samples below full scale came, or samples were lost."""
        self._last[:] = 0

    def push(self, block: FloatArray) -> NDArray[np.intp]:
        """Count the runs whose third sample lies in ``block``; returns frame and channel of each, ``(runs, 2)``."""
        here = (block >= FULL_SCALE).astype(np.int8) - (block <= -FULL_SCALE)
        signs = np.concatenate([self._last, here])
        third = signs[RUN_SAMPLES:]
        run = (third != 0) & (signs[: len(here)] != third)
        for back in range(1, RUN_SAMPLES):
            run &= signs[RUN_SAMPLES - back : len(signs) - back] == third
        self._last = signs[-RUN_SAMPLES:]
        found = np.argwhere(run)
        self.count += len(found)
        return found
