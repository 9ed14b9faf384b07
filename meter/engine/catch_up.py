"""Decides whether seconds of sound are counted on by frames while the clock is ahead: held-back sound catches up."""

from __future__ import annotations

import math

APART_SECONDS = 5
"""Seconds of sound are counted on from the last one, by frames. When that stays further behind the clock than this,
the clock decides."""
CATCH_UP_SECONDS = 5.0
"""Sound that was held back while the program was stopped comes faster than time goes. While the distance to the clock
still shrinks within this time, the count goes on by frames."""
ASLEEP_SECONDS = 60
"""No readings for so long, and no sound held back: the machine slept."""


class CatchUp:
    """Follows how far a count of seconds is behind the clock. Times are seconds handed in."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """The count was placed on the clock again."""
        self._least, self._least_at = math.inf, -math.inf

    def goes_on(self, behind: int, now: float) -> bool:
        """Whether a count that is ``behind`` the clock came nearer to it within the last ``CATCH_UP_SECONDS``."""
        if behind <= 0:
            return False
        if behind < self._least:
            self._least, self._least_at = behind, now
            return True
        return now - self._least_at <= CATCH_UP_SECONDS
