"""The band that a stage boosts most, from its response."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from dsp.stage.rest_level import half_gain_reach, rest_db
from dsp.stage.transfer import SURE_COHERENCE, Transfer

LEAST_BOOST_DB = 1.5
LEAST_TWELFTHS = 24
HEARD_BELOW = 1e-8
"""Twelfths 80 dB under the strongest hold only what leaks from others."""
SMOOTHED_TWELFTHS = 3
"""All of these are judgement."""


@dataclass(frozen=True)
class BoostedBand:
    """``boost_db`` re the rest of the response; the band reaches to where half of the boost in decibels is left."""

    low_hz: float
    high_hz: float
    boost_db: float


def boosted_band(transfer: Transfer, least_db: float = LEAST_BOOST_DB) -> BoostedBand | None:
    """The highest boost of ``least_db`` or more; None without one, or where less than two octaves are sure."""
    heard = transfer.before_power > HEARD_BELOW * transfer.before_power.max(initial=0.0)
    sure = heard & (transfer.coherence >= SURE_COHERENCE) & np.isfinite(transfer.response_db)
    if sure.sum() < LEAST_TWELFTHS:
        return None
    hz = transfer.hz[sure]
    response_db = median_filter(transfer.response_db[sure], SMOOTHED_TWELFTHS, mode="nearest")
    boost_db = response_db - rest_db(response_db)
    top = int(np.argmax(boost_db))
    if boost_db[top] < least_db:
        return None
    first, last = half_gain_reach(boost_db, top)
    return BoostedBand(float(hz[first]), float(hz[last]), float(boost_db[top]))
