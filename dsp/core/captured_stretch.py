"""The last seconds of several channels at full rate, in single precision, as blocks that nothing changes any more."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

Block = NDArray[np.float32]


class Capture:
    """Keep the newest blocks of a stream, as few as hold ``frames`` frames (all of them while there are fewer)."""

    def __init__(self, frames: int) -> None:
        self.frames = frames
        self._blocks: deque[Block] = deque()
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._blocks.clear()
        self.held_frames = 0

    def push(self, block: Block) -> None:
        """Add a block ``(channels, frames)`` at the end. It is kept as it is: do not write to it afterwards.

        Channels are rows, because one part is read alone: in columns each of its samples is in another cache line.
        """
        self._blocks.append(block)
        self.held_frames += block.shape[1]
        while self.held_frames - self._blocks[0].shape[1] >= self.frames:
            self.held_frames -= self._blocks.popleft().shape[1]

    def cut(self) -> None:
        """Frames were lost here: nothing before is read any more."""
        self.reset()

    def held(self) -> tuple[Block, ...]:
        """The blocks, oldest first."""
        return tuple(self._blocks)
