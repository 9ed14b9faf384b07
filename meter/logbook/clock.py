"""The time of a sitting: the wall clock once, at its start, and from then on a clock that nobody can set.

All times are seconds since 1970 in UTC. Clocks are handed in, so that tests need not wait.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def steady_seconds() -> float:
    """A clock that cannot be set and that goes on while the machine sleeps."""
    # Linux's monotonic clock stops in sleep, its boot clock does not; macOS has it the other way round.
    for name in ("CLOCK_BOOTTIME", "CLOCK_MONOTONIC"):
        if hasattr(time, name):
            return float(time.clock_gettime(getattr(time, name)))
    return time.monotonic()


def run_of_machine() -> str:
    """A name for the time since the machine was started, during which the steady clock counts on; empty where the
    system has none.
    """
    try:
        return BOOT_ID.read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        return ""


def machine_clock() -> SittingClock:
    """The clocks of this machine."""
    return SittingClock(boot=run_of_machine())


def utc_offset_minutes(at: float) -> int:
    """Minutes that local time is ahead of UTC at this moment, summer time included."""
    if hasattr(time, "tzset"):
        time.tzset()  # or a time zone that the user changed meanwhile goes unnoticed
    try:
        return time.localtime(at).tm_gmtoff // 60
    except (OverflowError, ValueError, OSError):
        return 0


class SittingClock:
    """Seconds since 1970 that move on evenly, whatever happens to the wall clock. [any]"""

    def __init__(
        self,
        wall: Callable[[], float] = time.time,
        steady: Callable[[], float] = steady_seconds,
        offset_minutes: Callable[[float], int] = utc_offset_minutes,
        boot: str = "",
    ) -> None:
        self.boot = boot
        self._wall = wall
        self.steady = steady
        self._offset_minutes = offset_minutes
        self.restart()

    def restart(self) -> None:
        """Read the wall clock again."""
        self._start = (self._wall(), self.steady())

    @property
    def anchor(self) -> int:
        """The wall clock minus the steady one when it was asked last, in seconds."""
        wall, steady = self._start
        return round(wall - steady)

    def now(self) -> float:
        """Seconds since 1970."""
        wall, steady = self._start
        return wall + self.steady() - steady

    def offset_minutes(self, at: float) -> int:
        """Minutes that local time is ahead of UTC at that moment."""
        return self._offset_minutes(at)
