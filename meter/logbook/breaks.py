"""Listening breaks: time since the last one, and which notice to show. No clock in here.

A break is 10 minutes that were quiet or not recorded. One is offered about hourly, never enforced. The notices that a
share passed 50 % and 80 % of the allowance are shown once a day each. These times are common practice, no source; how
long hearing needs to recover its judgement is not established.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

BREAK_SECONDS = 600
OFFER_EVERY_SECONDS = 3600
SHOWN_SECONDS = 600
"""An offer or a notice is shown for 10 minutes."""

QUIET_DBA = 55.0
"""Quieter than this, about a quiet conversation at the seat, counts as a break. Our own choice, no source."""

FORGIVEN_SECONDS = 5
"""A ringing telephone or a slammed door does not end a break."""

NOTHING, OFFER, HALF_USED, MOST_USED = 0, 1, 2, 3
"""Codes of the reading ``notice``; the face maps them to text."""

HALF_PERCENT, MOST_PERCENT = 50.0, 80.0


class Breaks:
    """Find breaks in levels given second by second, in order of time."""

    def __init__(self) -> None:
        self._since: int | None = None
        self._last: int | None = None
        self._quiet: tuple[int, int] | None = None
        """First second of the present quiet stretch, and the second after its last quiet one."""
        self._loud_seconds = 0

    def add_second(self, second: int, level_dba: float) -> None:
        """Add one second (since 1970) and its level in dB(A); minus infinity is silence."""
        if self._last is not None and second > self._last + 1:
            self._rest(self._last + 1, second)
        self._last = second
        if level_dba < QUIET_DBA:
            self._rest(second, second + 1)
            return
        if self._since is None or self._rested():
            self._since = second
            self._quiet = None
        elif self._quiet is not None:
            self._loud_seconds += 1
            if self._loud_seconds > FORGIVEN_SECONDS:
                self._quiet = None

    def seconds_since(self, now: float) -> float:
        """Seconds since the last break; 0 during a break, NaN before the first level."""
        if self._since is None or self._last is None:
            return math.nan
        first, end = self._quiet or (self._last + 1, self._last + 1)
        if end > self._last:
            end = max(end, math.floor(now))
        return 0.0 if end - first >= BREAK_SECONDS else max(0.0, now - self._since)

    def _rest(self, first: int, end: int) -> None:
        if self._quiet is None:
            self._loud_seconds = 0
        self._quiet = (self._quiet[0] if self._quiet is not None else first, end)

    def _rested(self) -> bool:
        return self._quiet is not None and self._quiet[1] - self._quiet[0] >= BREAK_SECONDS


def passed(share: float) -> tuple[int, ...]:
    """The codes of the marks that this share of the allowance (per cent) has reached, the highest last."""
    marks = ((HALF_PERCENT, HALF_USED), (MOST_PERCENT, MOST_USED))
    return tuple(code for mark, code in marks if share >= mark)


def notice(share: float, said: Mapping[int, int], seconds_since_break: float, now: float) -> int:
    """The code to show now; ``said`` maps each code to the time it was first shown today."""
    for code in reversed(passed(share)):
        if 0 <= now - said.get(code, -math.inf) < SHOWN_SECONDS:
            return code
    due = seconds_since_break >= OFFER_EVERY_SECONDS and seconds_since_break % OFFER_EVERY_SECONDS < SHOWN_SECONDS
    return OFFER if due else NOTHING
