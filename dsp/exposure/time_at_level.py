"""Histogram of time at each level: gives the share of any rule's allowance later."""

from __future__ import annotations

import numpy as np

from dsp.core.units import power_to_db
from dsp.exposure.exposure import Rule, share_percent

BIN_DB = 0.1
MOST_DB = 200.0
"""Higher levels go into the last bin with all their energy; no rule counts below 0 dB."""

BINS = round(MOST_DB / BIN_DB)


class LevelTime:
    """Hours and energy per bin of 0.1 dB, of fixed size.

    A bin counts at its mean energy: equal-energy rules are exact, others within 0.02 % of the share.
    """

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Forget everything."""
        self._hours = np.zeros(BINS)
        self._power_hours = np.zeros(BINS)

    def add(self, power: float, hours: float) -> None:
        """Add ``hours`` at a mean power re (20 uPa)^2 (linear, 0 or more)."""
        level_db = power_to_db(power)
        if level_db < 0.0 or hours <= 0.0:
            return
        index = min(int(level_db / BIN_DB), BINS - 1)
        self._hours[index] += hours
        self._power_hours[index] += power * hours

    def share_percent(self, rule: Rule) -> float:
        """Share of the rule's allowance in per cent."""
        used = np.flatnonzero(self._hours)
        hours = self._hours[used]
        return share_percent(power_to_db(self._power_hours[used] / hours), hours, rule)
