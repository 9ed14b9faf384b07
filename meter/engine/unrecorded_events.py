"""Events of the window that no engine has put into the day record yet. [gui]"""

from __future__ import annotations

from collections import deque

import msgspec

from meter.engine.messages import EventsRecorded, RecordEvent, ToWindow

MOST_WAITING = 500
"""The oldest are dropped, and counted, beyond this: no engine answers for that long."""
MOST_UNDERWAY = 50
"""So many fit into the pipe to an engine that does not read it."""


class UnrecordedEvents:
    """Numbers events and keeps each until an engine says that it has it, so that one that ends loses none.

    An event that two engines got is stored once: the day record compares time, kind, feed and words.
    """

    def __init__(self) -> None:
        self._waiting: deque[RecordEvent] = deque()
        self._count = self._sent = 0
        self.dropped = 0

    def add(self, event: RecordEvent) -> None:
        """Keep one more event."""
        self._count += 1
        self._waiting.append(msgspec.structs.replace(event, number=self._count))
        if len(self._waiting) > MOST_WAITING:
            self._waiting.popleft()
            self.dropped += 1

    def restart(self) -> None:
        """Another engine starts: it is to have all that the last one had not recorded."""
        self._sent = 0

    def due(self) -> list[RecordEvent]:
        """What is to be sent to the engine now; each event is given once for an engine."""
        some = [event for event, _ in zip(self._waiting, range(MOST_UNDERWAY), strict=False)]
        found = [event for event in some if event.number > self._sent]
        self._sent = found[-1].number if found else self._sent
        return found

    def follow(self, message: ToWindow) -> None:
        """What an engine says: what it has recorded waits no longer."""
        if isinstance(message, EventsRecorded):
            while self._waiting and self._waiting[0].number <= message.number:
                self._waiting.popleft()
