"""The newest sound before and after a stage, kept for a study to look back at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.core.captured_stretch import Block, Capture
from dsp.core.types import FloatArray

PHRASE_SECONDS = 20.0
LONGEST_LAG_SECONDS = 0.5
SIDES = 2


@dataclass(frozen=True)
class PairStretch:
    """Blocks ``(channels, frames)`` in a row, those before first, then as many after; nothing changes them.

    ``begins`` is the place of their first frame in the stream. The figures since the mark begin at ``mark``.
    """

    rate_hz: int
    begins: int
    mark: int
    blocks: tuple[Block, ...]

    def sides(self) -> tuple[FloatArray, FloatArray]:
        """The sound before and after, ``(frames, channels)`` each."""
        joined = np.concatenate(self.blocks, axis=1)
        half = len(joined) // SIDES
        return joined[:half].T.astype(np.float64), joined[half:].T.astype(np.float64)


class PairSound:
    """Takes blocks ``(frames, channels)``; gaps end what can be looked back at."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz, self._channels = rate_hz, channels
        self._capture = Capture(round((PHRASE_SECONDS + LONGEST_LAG_SECONDS) * rate_hz))
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._capture.reset()
        self._frame = self._studied = self._mark = 0

    def mark(self) -> None:
        """The figures since the mark begin at the next frame."""
        self._mark = self._frame

    def push(self, block: FloatArray) -> None:
        """Keep a copy of a block."""
        self._capture.push(np.ascontiguousarray(block.T, dtype=np.float32))
        self._frame += len(block)

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        self._capture.cut()
        self._frame += frames

    def stretch(self) -> PairStretch | None:
        """All that is kept; None while nothing is new."""
        blocks = self._capture.held()
        if not blocks or self._frame == self._studied or self._channels % SIDES:
            return None
        self._studied = self._frame
        return PairStretch(self._rate_hz, self._frame - self._capture.held_frames, self._mark, blocks)
