"""Marks that the user set and no engine has taken yet: one that ends loses none of them. [gui]"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable

from meter.engine.messages import MarkTaken, SetMark, ToWindow
from meter.marks import MOST_MARKS


class UnsetMarks:
    """Keeps each mark until an engine says that it has it, with the time of day at which it was set."""

    def __init__(self, wall: Callable[[], float] = time.time) -> None:
        self._wall = wall
        self._waiting: deque[SetMark] = deque(maxlen=MOST_MARKS)
        self._count = 0

    def add(self) -> SetMark:
        """One more mark, set now."""
        self._count += 1
        mark = SetMark(self._wall(), self._count)
        self._waiting.append(mark)
        return mark

    def forget(self) -> None:
        """Another source, or a reset: marks of before are of no use."""
        self._waiting.clear()

    @property
    def waiting(self) -> tuple[SetMark, ...]:
        """What another engine is to be sent when it starts."""
        return tuple(self._waiting)

    def follow(self, message: ToWindow) -> None:
        """What an engine says: a mark that it took waits no longer."""
        if isinstance(message, MarkTaken):
            while self._waiting and self._waiting[0].number <= message.number:
                self._waiting.popleft()
