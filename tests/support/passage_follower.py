"""A stream of sound whose last ten seconds are searched for as soon as they are due."""

from __future__ import annotations

from dsp.core.types import FloatArray
from dsp.passages.passages import MOST_FRAMES, Outcome, PassageStream, SamePassage, find_passage


class PassageFollower(PassageStream):
    """Holds the result of the last search."""

    def __init__(self, rate_hz: int, channels: int, capacity: int = MOST_FRAMES) -> None:
        super().__init__(rate_hz, channels, capacity)
        self.outcome: Outcome = "listening"
        self.same: SamePassage | None = None

    def process(self, block: FloatArray) -> None:
        super().process(block)
        self._search()

    def skip(self, frames: int) -> None:
        super().skip(frames)
        self._search()

    def _search(self) -> None:
        stretch = self.stretch()
        if stretch is not None:
            self.outcome, self.same = find_passage(stretch)
