"""The newest sound before and after a stage, kept for a study to take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray
from dsp.stage.pair_follower import PairFollower

Block = NDArray[np.float32]

MOST_SECONDS = 8.0
"""Sound that was not taken for longer is lost to the study; it goes on as after a gap."""


@dataclass(frozen=True)
class PairStretch:
    """What is new: ``blocks`` ``(channels, frames)`` in a row, the channels before first, then as many after.

    ``begins`` is the place of their first frame in the stream; the figures since the mark begin at ``mark``.
    ``follower`` has heard all that was taken before; only the study that gets the stretch uses it.
    """

    follower: PairFollower
    begins: int
    mark: int
    blocks: tuple[Block, ...]

    def followed(self) -> PairFollower:
        """The follower, after it has heard what is new."""
        self.follower.mark(self.mark)
        self.follower.go_on(self.begins)
        for block in self.blocks:
            self.follower.push(block)
        return self.follower


class PairSound:
    """Takes blocks ``(frames, channels)``. A reset makes another follower: a study may be at work on the old."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz, self._channels = rate_hz, channels
        self._most_frames = round(MOST_SECONDS * rate_hz)
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._follower = PairFollower(self._rate_hz, self._channels // 2)
        self._frame = self._mark = 0
        self._forget()

    def _forget(self) -> None:
        self._blocks: list[Block] = []
        self._begins = self._frame

    def mark(self) -> None:
        """The figures since the mark begin at the next frame."""
        self._mark = self._frame

    def push(self, block: FloatArray) -> None:
        """Keep a copy of a block."""
        if self._frame - self._begins > self._most_frames:
            self._forget()
        self._blocks.append(np.array(block.T, dtype=np.float32, order="C"))
        self._frame += len(block)

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        self._frame += frames
        self._forget()

    def stretch(self) -> PairStretch | None:
        """All that was not taken yet; None while nothing is new."""
        if not self._blocks:
            return None
        taken = PairStretch(self._follower, self._begins, self._mark, tuple(self._blocks))
        self._forget()
        return taken
