"""What has stopped: the sound of a source, the other process, or all but digital zeros. No clock in here.

A stream may be flagged "active" while nothing comes, be moved to another source, or end without an event. So time
decides: *running -> late -> lost -> reopening -> waiting for the device*, back to running when sound comes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meter.audio.source import Source

LATE_SECONDS = 1.0
LATE_LATENCIES = 10.0
LOST_SECONDS = 3.0
ASLEEP_SECONDS = 1.0
"""No call for so long means that this process was stopped: the time without sound counts from its next turn."""
SLEPT_SECONDS = 1.0
"""The clock that does not stop in sleep has gained so much on the one that does: the machine slept."""
BACK_OFF_SECONDS = (0.5, 1.0, 2.0, 5.0)

LONGEST_TURN_SECONDS = 0.5
"""Of a longer time between two looks only this much counts: a process that looks so late was not running. A machine
that slept stops both sides, and the first to run again must not take the other for dead."""

NANOSECONDS = 1e9

ZEROS_SECONDS = 5.0
ONLY_ZEROS = (
    "Nothing but digital zeros has come for 5 s; check what is connected, and on macOS whether the terminal may use "
    "the microphone."
)
"""Without the microphone permission macOS opens the stream and delivers zeros, no error."""


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

    def woke(self, now: float) -> None:
        """The machine slept: a stream from before may deliver nothing or anything, so it is opened again now."""
        self._broken = True
        self._attempts = 0
        self._next_attempt = now

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


class Silence:
    """Time without a heartbeat of the other process, while this one ran; asked a few times a second."""

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


class SleepWatch:
    """Notices that the machine slept; ``steady`` is a clock in seconds that goes on meanwhile. [dsp]"""

    def __init__(self, steady: Callable[[], float]) -> None:
        self._steady = steady
        self._ahead: float | None = None

    def look(self, now: float) -> float:
        """Seconds that the machine slept since the last look, 0 if it did not; ``now`` is monotonic, in seconds."""
        ahead = self._steady() - now
        gained = 0.0 if self._ahead is None else ahead - self._ahead
        self._ahead = ahead
        return gained if gained > SLEPT_SECONDS else 0.0


class ZerosWatch:
    """Looks for the first sample that is not zero after a source was opened; only devices are watched.

    Digital zeros look like silence and are a fault.
    """

    def __init__(self, kind: str, rate_hz: int) -> None:
        self._zeros = kind == "device"
        self._frames_left = ZEROS_SECONDS * rate_hz

    def take(self, block: NDArray[np.floating[Any]]) -> None:
        """Take ``(frames, channels)``."""
        self._zeros = self._zeros and not block.any()
        self._frames_left -= len(block)

    @property
    def sentence(self) -> str:
        """The sentence for the feed line, or an empty string."""
        return ONLY_ZEROS if self._zeros and self._frames_left < 0 else ""


def last_sound(source: Source | None) -> float | None:
    """Monotonic seconds of the last delivery of a source; None where there was none."""
    stamp = source.statistics().get("last_callback_ns", 0) if source is not None else 0
    return stamp / 1e9 if stamp else None
