"""Values that change slowly enough to be read: a change is taken when it has lasted, a lead when it is clear.

All times are seconds on the audio clock. The margins and times are common practice, no source.
"""

from __future__ import annotations

import math
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from meter import figures
from meter.gui.kit import scale

Shown = TypeVar("Shown")

LOW_LEAD_DB, LOW_DWELL_SECONDS = 3.0, 3.0
"""Another strongest low is named when the one named is behind by so much for so long."""
LEAN_FROM_DB, LEAN_UNTIL_DB, LEAN_DWELL_SECONDS, LEAN_STEP_DB = 1.0, 0.5, 2.0, 0.5
"""A lean is told from the first value on until it falls below the second, in steps of the last."""
HALF_SEMITONE = 2.0 ** (1.0 / 24.0)


class Steady(Generic[Shown]):
    """The value to show: the first at once, another after it was wanted for ``seconds`` without a break."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._shown: Shown | None = None
        self._wanted: Shown | None = None
        self._since = math.nan

    def clear(self) -> None:
        """Take the next value at once."""
        self._shown = self._wanted = None

    def follow(self, wanted: Shown, now: float, seconds: float | None = None) -> Shown:
        """The value to show at ``now``; ``seconds`` replaces the dwell time. A clock that goes back restarts it."""
        if self._shown is None:
            self._shown = wanted
        if wanted == self._shown:
            self._wanted = None
            return self._shown
        if wanted != self._wanted or now < self._since:
            self._wanted, self._since = wanted, now
        if now - self._since >= (self._seconds if seconds is None else seconds):
            self._shown, self._wanted = wanted, None
        return self._shown


class StrongestLow:
    """The frequency in Hz that is named as the strongest low; see ``LOW_LEAD_DB`` for when it changes."""

    def __init__(self) -> None:
        self._behind: Steady[bool] = Steady(LOW_DWELL_SECONDS)
        self._shown = math.nan

    def clear(self) -> None:
        """Name the strongest low of the next spectrum at once."""
        self._behind.clear()
        self._shown = math.nan

    def follow(self, frequencies: NDArray[np.float64], levels: NDArray[np.float64], now: float) -> float:
        """Take a spectrum in dB, not all of it NaN; the frequencies are above 0 Hz."""
        strongest = int(np.nanargmax(levels))
        wanted = float(frequencies[strongest])
        if self._behind.follow(self._is_behind(frequencies, levels, wanted), now) or math.isnan(self._shown):
            self._shown = wanted
            self._behind.clear()
            self._behind.follow(wanted=False, now=now)
        return self._shown

    def _is_behind(self, frequencies: NDArray[np.float64], levels: NDArray[np.float64], strongest_hz: float) -> bool:
        """Whether the note that is named is clearly weaker than the strongest, whichever that is."""
        near = np.abs(np.log(frequencies / self._shown)) <= math.log(HALF_SEMITONE)
        if not near.any() or np.isnan(levels[near]).all():
            return True
        same_note = scale.nearest_note(strongest_hz) == scale.nearest_note(self._shown)
        return bool(not same_note and np.nanmax(levels) - np.nanmax(levels[near]) >= LOW_LEAD_DB)


class Lean:
    """The balance in words: "centred", or a lean that is clear and has lasted."""

    def __init__(self) -> None:
        self._side: Steady[int] = Steady(LEAN_DWELL_SECONDS)
        self._now = 0
        self._shown_db = math.nan

    def clear(self) -> None:
        """Tell the next balance at once."""
        self._side.clear()
        self._now, self._shown_db = 0, math.nan

    def words(self, balance_db: float, now: float) -> str:
        """Left over right in dB as text; "" for NaN."""
        if math.isnan(balance_db):
            self.clear()
            return ""
        if math.isinf(balance_db):
            return figures.side(balance_db)
        least = LEAN_UNTIL_DB if self._now * balance_db > 0.0 else LEAN_FROM_DB
        side = int(math.copysign(1.0, balance_db)) if abs(balance_db) >= least else 0
        self._now = self._side.follow(side, now)
        if not self._now:
            self._shown_db = math.nan
            return figures.side(0.0)
        if self._now == side:
            self._shown_db = figures.settled(balance_db, self._shown_db, LEAN_STEP_DB)
        return figures.side(self._shown_db)
