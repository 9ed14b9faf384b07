"""How long the other process has been silent, in time during which this one was awake.

A machine that was asleep, frozen or short of memory stops both; the first to wake must not take the other for dead.
"""

from __future__ import annotations

LONGEST_TURN_SECONDS = 0.5
"""Of a longer time between two looks only this much counts: whoever looks so late was not awake."""

NANOSECONDS = 1e9


class Silence:
    """Looks at the other side's heartbeat a few times a second. There is no clock in here."""

    def __init__(self) -> None:
        self._beat_ns: int | None = None
        self._looked_ns = 0
        self._seconds = 0.0

    def look(self, beat_ns: int, now_ns: int) -> float:
        """Seconds without a new beat, counted from the first look; both times in monotonic nanoseconds."""
        if beat_ns != self._beat_ns:
            self._beat_ns = beat_ns
            self._seconds = 0.0
        else:
            self._seconds += min((now_ns - self._looked_ns) / NANOSECONDS, LONGEST_TURN_SECONDS)
        self._looked_ns = now_ns
        return self._seconds
