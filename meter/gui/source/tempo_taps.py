"""A tempo from taps on a key: the median of the last few gaps. No Qt, and the clock is handed in."""

from __future__ import annotations

from statistics import median

LEAST_TAPS = 4
MOST_GAPS = 8
LONGEST_GAP_SECONDS = 2.0
SHORTEST_GAP_SECONDS = 0.15


class Tapping:
    """Give it the time of each tap; it tells beats per minute once there are enough, rounded to half a beat."""

    def __init__(self) -> None:
        self._taps: list[float] = []

    @property
    def taps(self) -> int:
        """Taps that count so far, up to nine."""
        return len(self._taps)

    def tap(self, now: float) -> float | None:
        """The tempo so far, None before the fourth tap; a pause of two seconds restarts the count."""
        if self._taps and not SHORTEST_GAP_SECONDS <= now - self._taps[-1] <= LONGEST_GAP_SECONDS:
            self._taps = [] if now - self._taps[-1] > LONGEST_GAP_SECONDS else self._taps[:-1]
        self._taps = [*self._taps, now][-MOST_GAPS - 1 :]
        if len(self._taps) < LEAST_TAPS:
            return None
        gaps = [later - earlier for earlier, later in zip(self._taps, self._taps[1:], strict=False)]
        return round(120.0 / median(gaps)) / 2.0
