"""Hops of equal length from a stream, each with the frames before it, at any block size and over gaps."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from dsp.core.types import FloatArray


class HopBuffer:
    """Gather ``(frames, channels)`` blocks into hops of ``hop_frames``.

    The grid of hops starts at frame 0 after ``reset`` and counts lost frames too. A hop that touches lost frames
    is lost whole. Frames before the start and before a gap read as zero in the history of a hop.
    """

    def __init__(self, hop_frames: int, history_frames: int, channels: int) -> None:
        self._hop_frames = hop_frames
        self._history_frames = history_frames
        self._buffer = np.zeros((history_frames + hop_frames, channels))
        self.reset()

    @property
    def unbroken_frames(self) -> int:
        """Frames received in a row since the start or the last gap, up to now."""
        return self._unbroken

    def reset(self) -> None:
        """Forget the signal and start at frame 0."""
        self._buffer[:] = 0.0
        self._filled = 0
        self._unbroken = 0
        self._broken = False

    def cut(self, block: FloatArray) -> Iterator[FloatArray | None]:
        """Yield each hop that ends in this block, ``(history_frames + hop_frames, channels)``, or None if lost.

        The array is borrowed: it changes at the next step. The iterator must be run to its end.
        """
        taken = 0
        while taken < len(block):
            frames = min(self._hop_frames - self._filled, len(block) - taken)
            start = self._history_frames + self._filled
            self._buffer[start : start + frames] = block[taken : taken + frames]
            taken += frames
            self._filled += frames
            self._unbroken += frames
            if self._filled == self._hop_frames:
                yield None if self._broken else self._buffer
                self._buffer[: self._history_frames] = self._buffer[self._hop_frames :]
                self._filled = 0
                self._broken = False

    def runs(self, block: FloatArray) -> Iterator[tuple[int, FloatArray | None]]:
        """Yield the hops of ``cut`` in runs, each as long as the block holds in one piece.

        A run is the number of hops, and their frames with the history before the first, borrowed; None if lost.
        Between two steps ``unbroken_frames`` is its value at the end of the run.
        """
        first_inside = -(-self._history_frames // self._hop_frames) * self._hop_frames
        head = min(len(block), (self._hop_frames - self._filled) % self._hop_frames + first_inside)
        yield from ((1, segment) for segment in self.cut(block[:head]))
        hops = (len(block) - head) // self._hop_frames
        if hops and not self._broken and not self._filled:
            end = head + hops * self._hop_frames
            self._unbroken += hops * self._hop_frames
            yield hops, block[head - self._history_frames : end]
            self._buffer[: self._history_frames] = block[end - self._history_frames : end]
            head = end
        yield from ((1, segment) for segment in self.cut(block[head:]))

    def skip(self, frames: int) -> int:
        """Account for ``frames`` lost frames; returns how many hops end in the gap, all of them lost."""
        if frames <= 0:
            return 0
        lost, self._filled = divmod(self._filled + frames, self._hop_frames)
        self._broken = self._filled > 0
        self._unbroken = 0
        self._buffer[:] = 0.0
        return lost
