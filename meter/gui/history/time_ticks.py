"""Times of day: ticks of an axis, and words for a moment. All times are seconds since 1970; words are local time."""

from __future__ import annotations

import math
import time

STEPS = (
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200, 86_400,
)  # fmt: skip
"""Distances of ticks in seconds."""

TICK_PX = 84
"""Room for one label."""


def ticks(first: float, last: float, width_px: float) -> tuple[list[int], int]:
    """Whole seconds to label between two times, at even local times, and their distance."""
    most = max(2.0, width_px / TICK_PX)
    step = next((each for each in STEPS if (last - first) / each <= most), STEPS[-1])
    offset = local_offset(first)
    begin = math.ceil((first + offset) / step) * step - offset
    return list(range(begin, math.floor(last) + 1, step)), step


def local_offset(at: float) -> int:
    """Seconds that local time is ahead of UTC at a moment; 0 outside the calendar."""
    try:
        return time.localtime(at).tm_gmtoff
    except (ValueError, OverflowError, OSError):
        return 0


def clock_words(at: float, *, seconds: bool = True) -> str:
    """``14:32:10`` or ``14:32``."""
    try:
        return time.strftime("%H:%M:%S" if seconds else "%H:%M", time.localtime(at))
    except (ValueError, OverflowError, OSError):
        return ""


def length_words(seconds: float) -> str:
    """``0.2 s``, ``45 s``, ``3 min 20 s``, ``2 h 05 min``."""
    if seconds < 10.0:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes} min {rest:02d} s" if rest else f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"
