"""The time of a sitting: the wall clock at its start plus the seconds of a clock that cannot be set.

All times are seconds since 1970 in UTC. Clocks are parameters, so that tests need not wait.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def steady_seconds() -> float:
    """Seconds of a clock that cannot be set and that continues while the machine sleeps."""
    # On Linux the monotonic clock stops in sleep and the boot clock does not. macOS has no boot clock, and its
    # monotonic clock continues.
    for name in ("CLOCK_BOOTTIME", "CLOCK_MONOTONIC"):
        if hasattr(time, name):
            return float(time.clock_gettime(getattr(time, name)))
    return time.monotonic()


def run_of_machine() -> str:
    """Identifier of the time since the machine started, in which the steady clock never restarts; empty if none."""
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
        time.tzset()  # otherwise a change of time zone while the program runs has no effect
    try:
        return time.localtime(at).tm_gmtoff // 60
    except (OverflowError, ValueError, OSError):
        return 0


class SittingClock:
    """Seconds since 1970 that advance evenly even when the wall clock is set. [any]"""

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
        """The wall clock minus the steady clock at the last ``restart``, in seconds."""
        wall, steady = self._start
        return round(wall - steady)

    def now(self) -> float:
        """Seconds since 1970."""
        wall, steady = self._start
        return wall + self.steady() - steady

    def offset_minutes(self, at: float) -> int:
        """Minutes that local time is ahead of UTC at that moment."""
        return self._offset_minutes(at)
