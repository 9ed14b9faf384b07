"""Memory of the last seconds of several channels at the full rate, in single precision."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray


class Capture:
    """The newest ``frames`` frames of a stream ``(frames, channels)``.

    Frames are numbered from 0 without the lost ones. ``start`` is the oldest that can be read, never one before a
    gap; ``end`` is one past the newest.
    """

    def __init__(self, frames: int, channels: int) -> None:
        self._frames = frames
        self._channels = channels
        # Channels in rows: a part is read alone, and in columns each of its samples lies in another cache line.
        self._kept: NDArray[np.float32] = np.zeros((channels, frames), dtype=np.float32)
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self.end = 0
        self._unbroken_from = 0

    @property
    def start(self) -> int:
        """Number of the oldest frame that can be read."""
        return max(self._unbroken_from, self.end - self._frames)

    def push(self, *blocks: FloatArray) -> None:
        """Add frames at the end, blocks of one length side by side. Raises ValueError for other shapes."""
        count = len(blocks[0])
        if sum(block.shape[1] for block in blocks) != self._channels or any(len(block) != count for block in blocks):
            shapes = " and ".join(str(block.shape) for block in blocks)
            raise ValueError(f"A block of shape (frames, {self._channels}) was expected, not {shapes}.")
        left_out = max(0, count - self._frames)
        self.end += left_out
        at = self.end % self._frames
        first = min(count - left_out, self._frames - at)
        channel = 0
        for block in blocks:
            rows = self._kept[channel : channel + block.shape[1]]
            rows[:, at : at + first] = block[left_out : left_out + first].T
            rows[:, : count - left_out - first] = block[left_out + first :].T
            channel += len(rows)
        self.end += count - left_out

    def cut(self) -> None:
        """Mark lost frames here: nothing before can be read."""
        self._unbroken_from = self.end

    def read(self, first: int, frames: int, channels: Sequence[int]) -> FloatArray:
        """Return ``(frames, len(channels))`` from frame ``first`` on; raises IndexError when part of it is gone."""
        if frames < 0 or first < self.start or first + frames > self.end:
            raise IndexError(f"Frames {first} to {first + frames} are not kept; {self.start} to {self.end} are.")
        at = first % self._frames
        until = min(frames, self._frames - at)
        block = np.empty((frames, len(channels)))
        for column, channel in enumerate(channels):
            block[:until, column] = self._kept[channel, at : at + until]
            block[until:, column] = self._kept[channel, : frames - until]
        return block
