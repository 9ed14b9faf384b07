"""How often each level was reached, so that percentiles of a long span need little memory."""

from __future__ import annotations

import math

import numpy as np

from dsp.core.saved_state import SavedState
from dsp.core.types import FloatArray
from dsp.core.units import amplitude_to_db

LOWEST_DBFS = -60.0
BIN_DB = 0.1
BINS = 1200
"""To +60 dBFS; the top bin takes more."""


class LevelHistogram:
    """Counts of levels above -60 dBFS in bins of 0.1 dB; a percentile is the middle of its bin, within 0.05 dB."""

    def __init__(self) -> None:
        self._counts = np.zeros(BINS, dtype=np.int64)

    def add(self, amplitudes: FloatArray) -> None:
        """Count amplitudes ``(n,)``; those up to -60 dBFS and NaN are left out."""
        heard = amplitudes[amplitudes > 10.0 ** (LOWEST_DBFS / 20.0)]
        if len(heard):
            bins = ((amplitude_to_db(heard) - LOWEST_DBFS) / BIN_DB).astype(np.intp)
            np.add.at(self._counts, np.minimum(bins, BINS - 1), 1)

    @property
    def count(self) -> int:
        """How many were counted."""
        return int(self._counts.sum())

    def percentile(self, share: float) -> float:
        """The level in dBFS below which lies ``share`` (0 to 1) of the counts; NaN without any."""
        total = self.count
        if not total:
            return math.nan
        place = int(np.searchsorted(np.cumsum(self._counts), share * (total - 1), side="right"))
        return LOWEST_DBFS + (place + 0.5) * BIN_DB

    def save_state(self) -> SavedState:
        """Counts of the bins in use."""
        used = np.flatnonzero(self._counts)
        return {"bins": used, "counts": self._counts[used]}

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned."""
        self._counts[:] = 0
        self._counts[kept["bins"]] = kept["counts"]
