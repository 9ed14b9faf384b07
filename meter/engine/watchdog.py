"""Is sound still arriving? A small state machine over the time since the last callback; flags are not trusted.

A stream can say "active" while nothing comes, be moved to another source, or end without a word. So the clock
decides: *running -> late -> lost -> reopening -> waiting for the device*, back to running when sound comes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

LATE_SECONDS = 1.0
LATE_LATENCIES = 10.0
LOST_SECONDS = 3.0
ASLEEP_SECONDS = 1.0
"""A judge who was not asked for so long was asleep, perhaps with the whole machine: silence counts from waking."""
BACK_OFF_SECONDS = (0.5, 1.0, 2.0, 5.0)


@dataclass(frozen=True)
class Verdict:
    """``state`` is a word of ``meter.readings.STATES``; ``reopen`` asks for a new attempt now."""

    state: str
    reopen: bool = False


class SourceWatch:
    """Judges one live source. Times are monotonic seconds handed in; there is no clock in here."""

    def __init__(self, latency_seconds: float, *, idle_is_normal: bool = False) -> None:
        self._late_after = max(LATE_SECONDS, LATE_LATENCIES * latency_seconds if latency_seconds > 0 else 0.0)
        self._lost_after = max(LOST_SECONDS, 2.0 * self._late_after)
        self._idle_is_normal = idle_is_normal
        self._attempts = 0
        self._next_attempt = 0.0
        self._broken = False
        self._asked_at = -math.inf
        self._awake_since = 0.0

    def opened(self, now: float) -> None:
        """A stream was opened; ``silence`` counts from here."""
        self._broken = False
        self._opened_at = self._asked_at = self._awake_since = now

    def open_failed(self, now: float) -> None:
        """An attempt to open failed; the next is put off a little longer each time."""
        self._broken = True
        wait = BACK_OFF_SECONDS[min(self._attempts, len(BACK_OFF_SECONDS) - 1)]
        self._attempts += 1
        self._next_attempt = now + wait

    def judge(self, now: float, last_sound: float | None, *, faulty: bool) -> Verdict:
        """What the feed line says now; ``last_sound`` is when the last callback came, None before the first."""
        if self._broken:
            return Verdict("waiting" if self._attempts >= 2 else "reopening", reopen=now >= self._next_attempt)
        if faulty:
            return self._lose(now)
        if now - self._asked_at > ASLEEP_SECONDS:
            self._awake_since = now
        self._asked_at = now
        silence = now - max(self._awake_since, last_sound if last_sound is not None else self._opened_at)
        if silence < self._late_after:
            if last_sound is None or last_sound < self._opened_at:
                return Verdict("starting")
            self._attempts = 0
            return Verdict("running")
        if self._idle_is_normal:
            return Verdict("idle")
        return Verdict("late") if silence < self._lost_after else self._lose(now)

    def _lose(self, now: float) -> Verdict:
        self.open_failed(now)
        return Verdict("lost")
