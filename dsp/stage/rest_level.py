"""The level at which most of a response lies, and how far a boost above it reaches. Judgement, no source."""

from __future__ import annotations

import numpy as np

from dsp.core.types import FloatArray

ALIKE_DB = 0.5
ALMOST = 0.4
"""Of two levels that many frequencies share, the lower one is the rest, unless it is shared by clearly fewer."""


def rest_db(response_db: FloatArray) -> float:
    """The level at which most of a response ``(n,)`` lies, in dB: a boost or a cut leaves it where it is."""
    alike = np.abs(response_db[:, None] - response_db) <= ALIKE_DB
    counts = alike.sum(axis=1)
    level = int(np.argmin(np.where(counts >= ALMOST * counts.max(), response_db, np.inf)))
    return float(np.median(response_db[alike[level]]))


def half_gain_reach(boost_db: FloatArray, top: int) -> tuple[int, int]:
    """First and last index round ``top`` at which half of its boost in decibels is left."""
    below = np.flatnonzero(boost_db < boost_db[top] / 2.0)
    return int(below[below < top].max(initial=-1)) + 1, int(below[below > top].min(initial=len(boost_db))) - 1
