"""The ten seconds in which each part is loudest, kept while all parts are read side by side."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from dsp.core.captured_stretch import Block
from dsp.core.types import FloatArray
from dsp.lowend.low_stretch import Captured

STRETCH_SECONDS = 10.0


class LoudestStretches:
    """Give it the blocks of all parts in turn; it keeps single-precision copies, shared where stretches overlap."""

    def __init__(self, rate_hz: int, parts: int) -> None:
        self._wanted = round(STRETCH_SECONDS * rate_hz)
        self._recent: deque[tuple[list[Block], NDArray[np.float64]]] = deque()
        self._frames = 0
        self._best = np.full(parts, -1.0)
        self._held: list[list[list[Block]]] = [[] for _ in range(parts)]

    def push(self, parts: list[FloatArray], together: FloatArray, mix: FloatArray | None) -> None:
        """Blocks ``(frames, channels)`` of one length; what is no number counts as silence."""
        feeds = [*parts, together, *([mix] if mix is not None else [])]
        blocks = [np.nan_to_num(feed.astype(np.float32), copy=False) for feed in feeds]
        energies = np.array([float(np.vdot(block, block)) for block in blocks[: len(parts)]])
        self._recent.append((blocks, energies))
        self._frames += len(together)
        while self._frames - len(self._recent[0][0][0]) >= self._wanted:
            self._frames -= len(self._recent.popleft()[0][0])
        sums = np.sum([energy for _, energy in self._recent], axis=0)
        for part in np.flatnonzero(sums > self._best):
            self._best[part] = sums[part]
            self._held[part] = [[blocks[part], *blocks[len(parts) :]] for blocks, _ in self._recent]

    def of(self, part: int) -> Captured | None:
        """The loudest stretch of one part, to the grid of the blocks; None before the first block."""
        if not self._held[part]:
            return None
        columns = list(zip(*self._held[part], strict=True))
        own, together, *mix = (np.concatenate(blocks).astype(np.float64) for blocks in columns)
        return Captured(own, together, mix[0] if mix else None)
