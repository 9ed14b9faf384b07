"""Sound kept for a meter that takes it in longer pieces: numpy's fixed cost a call is then paid less often. [dsp]"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from dsp.core.types import FloatArray


class GatheredSound:
    """Joins blocks until ``frames`` are there. Blocks of that length or longer pass through."""

    def __init__(self, frames: int, channels: int) -> None:
        self._sound = np.empty((frames, channels))
        self._filled = 0

    def add(self, block: FloatArray) -> Iterator[FloatArray]:
        """Keep ``(frames, channels)``; yields the pieces that are ready, valid until the next call."""
        if self._filled + len(block) > len(self._sound):
            yield from self.rest()
        if len(block) >= len(self._sound):
            yield block
            return
        self._sound[self._filled : self._filled + len(block)] = block
        self._filled += len(block)
        if self._filled == len(self._sound):
            yield from self.rest()

    def rest(self) -> Iterator[FloatArray]:
        """Yields what is left, if anything is."""
        if self._filled:
            piece = self._sound[: self._filled]
            piece.flags.writeable = False
            self._filled = 0
            yield piece
