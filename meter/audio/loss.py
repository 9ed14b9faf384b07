"""Detect frames lost without a flag by comparing delivered frames with monotonic time. Works with every host API.

Sound can be late but never early, so the smallest lateness in each second follows a straight line: the device clock.
The slope of the line is the drift. If the smallest lateness stays above the line, frames are lost; if it returns to
the line, they were late. A loss shorter than ``threshold_seconds`` cannot be separated from lateness, and many short
losses are read as drift.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from statistics import median
from typing import Literal

WARM_UP_SECONDS = 2.0
"""A stream that has just opened first delivers queued frames, so its first deliveries are not used."""
FIT_SECONDS = 30
SHORTEST_FIT_SECONDS = 10
"""With fewer seconds than this the slope is taken as zero."""
HOLD_SECONDS = 3
"""A deficit that lasts this long is a loss."""
LARGEST_DRIFT_PPM = 1000.0
"""Clocks of sound devices differ by up to about 700 parts per million in reports; the rest is margin."""
SHORTEST_THRESHOLD_SECONDS = 0.02
NANOSECONDS = 1e9


@dataclass(frozen=True)
class ClockEvent:
    """A loss or its correction. ``gap``: ``frames`` are missing after ``at_frame``. ``burst``: they arrived late.

    ``at_frame`` and ``at_ns`` belong to the last delivery before the deficit, so they are exact for a clean cut.
    """

    kind: Literal["gap", "burst"]
    frames: int
    at_frame: int
    at_ns: int


@dataclass(frozen=True)
class _Second:
    """The least lateness in one second of wall time, and when it was."""

    time: float
    lateness: float


class LossDetector:
    """Feed it ``(frames so far, monotonic ns)`` of each delivery, as a source's ``statistics`` gives them.

    ``rate_hz`` is the nominal rate. A deficit above ``2 * latency_seconds`` (at least 20 ms) is an event.
    """

    def __init__(self, rate_hz: int, latency_seconds: float) -> None:
        self._rate_hz = rate_hz
        latency = latency_seconds if math.isfinite(latency_seconds) else 0.0
        self.threshold_seconds = max(SHORTEST_THRESHOLD_SECONDS, 2.0 * latency)
        self.lost_frames = 0
        self.reset()

    def reset(self) -> None:
        """Restart, for example after the source is opened again; ``lost_frames`` is kept."""
        self._origin: tuple[int, int] | None = None
        self._seconds: deque[_Second] = deque(maxlen=FIT_SECONDS)
        self._current: _Second | None = None
        self._current_number = 0
        self._recent: deque[tuple[int, int, float]] = deque()
        self._deficient = 0

    @property
    def drift_ppm(self) -> float:
        """Drift of the device clock in ppm, positive when it is fast; NaN before ``SHORTEST_FIT_SECONDS``."""
        if len(self._seconds) < SHORTEST_FIT_SECONDS:
            return math.nan
        return -self._line()[0] * 1e6

    def push(self, frames: int, time_ns: int) -> ClockEvent | None:
        """Add one delivery; return the event it confirms, or None. A repeated pair is ignored."""
        if self._origin is None:
            self._origin = (frames, time_ns)
        elapsed = (time_ns - self._origin[1]) / NANOSECONDS
        if elapsed < WARM_UP_SECONDS or (self._recent and frames <= self._recent[-1][0]):
            return None
        lateness = elapsed - (frames - self._origin[0]) / self._rate_hz
        event = self._close_second(elapsed) if math.floor(elapsed) > self._current_number else None
        self._current_number = math.floor(elapsed)
        self._note(frames, time_ns, elapsed, lateness)
        return event

    def _note(self, frames: int, time_ns: int, elapsed: float, lateness: float) -> None:
        if self._current is None or lateness < self._current.lateness:
            self._current = _Second(elapsed, lateness)
        self._recent.append((frames, time_ns, elapsed))
        while self._recent[-1][2] - self._recent[0][2] > HOLD_SECONDS + 2 and len(self._recent) > 2:
            self._recent.popleft()

    def _close_second(self, now: float) -> ClockEvent | None:
        """Compare the second that has ended with the line of the earlier seconds."""
        second, self._current = self._current, None
        if second is None:
            return None
        excess = second.lateness - self._expected(second.time)
        if not self._seconds or abs(excess) <= self.threshold_seconds:
            self._deficient = 0
            self._seconds.append(second)
            return None
        if excess < 0:
            self._deficient = 0
            return self._accept(excess, second)
        self._deficient += 1
        if self._deficient < HOLD_SECONDS:
            return None
        self._deficient = 0
        return self._accept(excess, second)

    def _accept(self, excess: float, second: _Second) -> ClockEvent | None:
        """Move the line by ``excess`` seconds and return the event."""
        frames = round(abs(excess) * self._rate_hz)
        at_frame, at_ns = self._where(excess)
        self._seconds = deque(
            (_Second(past.time, past.lateness + excess) for past in self._seconds), maxlen=FIT_SECONDS
        )
        self._seconds.append(second)
        if excess > 0:
            self.lost_frames += frames
            return ClockEvent("gap", frames, at_frame, at_ns)
        self.lost_frames = max(0, self.lost_frames - frames)
        return ClockEvent("burst", frames, at_frame, at_ns)

    def _where(self, excess: float) -> tuple[int, int]:
        """The last delivery still within half the excess of the line (for a burst: the newest delivery)."""
        newest = self._recent[-1]
        if excess < 0 or self._origin is None:
            return newest[0], newest[1]
        slope, height = self._line()
        found = self._recent[0]
        for frames, time_ns, elapsed in self._recent:
            lateness = elapsed - (frames - self._origin[0]) / self._rate_hz
            if lateness - (slope * elapsed + height) < excess / 2:
                found = (frames, time_ns, elapsed)
        return found[0], found[1]

    def _expected(self, time: float) -> float:
        if not self._seconds:
            return 0.0
        slope, height = self._line()
        return slope * time + height

    def _line(self) -> tuple[float, float]:
        """Slope and height of the lateness over time: median of pairwise slopes (Theil 1950, Sen 1968)."""
        points = tuple(self._seconds)
        slope = 0.0
        if len(points) >= SHORTEST_FIT_SECONDS:
            pairs = (
                (late.lateness - early.lateness) / (late.time - early.time)
                for number, early in enumerate(points)
                for late in points[number + 1 :]
            )
            limit = LARGEST_DRIFT_PPM * 1e-6
            slope = min(limit, max(-limit, median(pairs)))
        return slope, median(point.lateness - slope * point.time for point in points)
