"""The last seconds of several channels at full rate, in single precision, to try something on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.types import FloatArray, check_block


class Capture:
    """Keeps the newest ``frames`` frames of a stream ``(frames, channels)``.

    Frames are counted from the start, lost ones left out; ``start`` is the oldest that can be read, never one before
    a gap, and ``end`` the next to come.
    """

    def __init__(self, frames: int, channels: int) -> None:
        self._frames = frames
        self._channels = channels
        # Channels in rows: one part is read alone, and in columns each of its samples would lie in a line of its own.
        self._kept: NDArray[np.float32] = np.zeros((channels, frames), dtype=np.float32)
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self.end = 0
        self._unbroken_from = 0

    @property
    def start(self) -> int:
        """The oldest frame that can be read."""
        return max(self._unbroken_from, self.end - self._frames)

    def push(self, block: FloatArray) -> None:
        """Add frames at the end. Raises ValueError for another number of channels."""
        check_block(block, self._channels)
        if len(block) > self._frames:
            self.end += len(block) - self._frames
            block = block[-self._frames :]
        at = self.end % self._frames
        first = min(len(block), self._frames - at)
        self._kept[:, at : at + first] = block[:first].T
        self._kept[:, : len(block) - first] = block[first:].T
        self.end += len(block)

    def cut(self) -> None:
        """Frames were lost here: nothing before is read any more."""
        self._unbroken_from = self.end

    def read(self, first: int, frames: int, channels: Sequence[int]) -> FloatArray:
        """``(frames, len(channels))`` from frame ``first`` on; raises IndexError when not all of it is kept."""
        if frames < 0 or first < self.start or first + frames > self.end:
            raise IndexError(f"Frames {first} to {first + frames} are not kept; {self.start} to {self.end} are.")
        at = first % self._frames
        until = min(frames, self._frames - at)
        block = np.empty((frames, len(channels)))
        for column, channel in enumerate(channels):
            block[:until, column] = self._kept[channel, at : at + until]
            block[until:, column] = self._kept[channel, : frames - until]
        return block
