"""Creep: how far the listening level has risen, in dB, since the work began.

The median level of the last 15 minutes minus that of the first half hour. Pauses are not counted. After 4 hours
without sound the measurement restarts. The spans are common practice, no source.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from meter.logbook.breaks import QUIET_DBA

FIRST_SECONDS = 1800
NOW_SECONDS = 900
LEAST_SECONDS = NOW_SECONDS // 2
"""The present median needs this much sound in the last 15 minutes, and as much after the first half hour."""

NEW_WORK_SECONDS = 4 * 3600


class Creep:
    """Creep from levels given second by second, in order of time."""

    def __init__(self) -> None:
        self._begin()

    def _begin(self) -> None:
        self._first: list[float] = []
        self._recent: deque[tuple[int, float]] = deque()
        self._later = 0
        self._base_dba = math.nan

    def add_second(self, second: int, level_dba: float) -> None:
        """Add one second (since 1970) and its level in dB(A)."""
        if not level_dba >= QUIET_DBA:
            return
        if self._recent and second - self._recent[-1][0] > NEW_WORK_SECONDS:
            self._begin()
        self._recent.append((second, level_dba))
        while self._recent[0][0] <= second - NOW_SECONDS:
            self._recent.popleft()
        if len(self._first) < FIRST_SECONDS:
            self._first.append(level_dba)
        else:
            self._later += 1

    def decibels(self) -> float:
        """Present level minus level at the start, in dB; NaN until both have enough sound."""
        if self._later < LEAST_SECONDS or len(self._recent) < LEAST_SECONDS:
            return math.nan
        if math.isnan(self._base_dba):
            self._base_dba = float(np.median(self._first))
        return float(np.median([level for _second, level in self._recent])) - self._base_dba
