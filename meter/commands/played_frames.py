"""A link without an engine: it plays back kept frames."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from meter.instances import Instance
from meter.marks import Mark
from meter.plugin.api import Setting
from meter.readings import Frame


class PlayedFrames:
    """A link that plays back kept frames, one at each take; for pictures."""

    def __init__(self, frames: Sequence[Frame]) -> None:
        self._frames = list(frames)
        self._next = 0

    def take(self) -> Frame | None:
        """The next frame; the last one repeats."""
        if not self._frames:
            return None
        frame = self._frames[min(self._next, len(self._frames) - 1)]
        self._next += 1
        return frame

    def open(self, request: Mapping[str, Any], feeds: Mapping[str, tuple[int, ...]] | None = None) -> None:
        """A picture listens to nothing."""

    def hold(self, held: bool) -> None:
        """Nothing runs that could be held."""

    def reset(self) -> None:
        """Nothing runs that could be reset."""

    def suspend(self, reason: str) -> None:
        """Nothing is counted here."""

    def mark(self) -> None:
        """Nothing runs that could be marked."""

    def choose_at_play(self, choice: str) -> None:
        """Nothing plays here."""

    def name_mark(self, number: int, name: str) -> None:
        """The marks are as they were set."""

    def put_back_marks(self, marks: tuple[Mark, ...]) -> None:
        """A picture has the marks of its frames."""

    def clear_marks(self) -> None:
        """The marks are as they were set."""

    def configure(self, meter_id: str, settings: Mapping[str, Setting]) -> None:
        """The frames are as they were measured."""

    def use_instances(self, instances: tuple[Instance, ...]) -> None:
        """The frames are as they were measured."""

    def record(self, kind: str, words: str, feed: str = "") -> None:
        """A picture is no day."""

    def poll(self) -> None:
        """No engine to look after."""

    def close(self) -> None:
        """No engine to end."""
