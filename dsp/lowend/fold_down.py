"""What the low end loses when left and right become one, where it leans, and how sure that is.

Fold-down loss = 10 log10( mean(((L + R) / 2)^2) / mean((L^2 + R^2) / 2) ): 0 dB for identical channels, -3.01 dB
for unrelated ones and for a sound on one side only, minus infinity for inverted ones. For equal channels with
correlation r it is 10 log10((1 + r) / 2). Read it together with the balance. Limits of the verdict are common
practice of mixing (no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from dsp.core.energy_gate import GatedSums
from dsp.core.types import FloatArray
from dsp.core.units import power_to_db
from dsp.lowend.low_band import LOW_BANDS_HZ, Edges, LowBand
from dsp.stereo.correlation import (
    PAIR_SUMS,
    STEADY_SECONDS,
    balance_db_from,
    covariances,
    pair_power,
    pair_power_from,
    pair_sums,
)

SOLID_DB = 0.5
WATCH_DB = 1.5
VOTE_RANGE_DB = 15.0
"""Bands weaker than the strongest by more than this do not vote."""

VANISHED = 1e-14
"""A mono power below this share (-140 dB) is the rounding of a perfect cancellation."""


class Verdict(IntEnum):
    """The low end in mono."""

    NOT_YET = 0
    SOLID = 1
    WATCH = 2
    LOSES = 3


def fold_down_loss_db(sums: FloatArray) -> FloatArray:
    """Loss of ``(..., 6)`` pair sums, 0 or negative; minus infinity if all vanishes, NaN in silence."""
    return fold_down_loss_db_from(covariances(sums))


def fold_down_loss_db_from(parts: FloatArray) -> FloatArray:
    """The same of ``covariances``, for those who ask for more than one figure."""
    power = parts[..., 0] + parts[..., 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.minimum(0.5 + parts[..., 2] / power, 1.0)
        return np.asarray(10.0 * np.log10(np.where(share < VANISHED, 0.0, share)))


def verdict(loss_db: float, balance: float) -> Verdict:
    """The worse of loss and lean decides: under 0.5 dB solid, up to 1.5 dB watch, beyond that it loses."""
    if np.isnan(loss_db) or np.isnan(balance):
        return Verdict.NOT_YET
    worse = max(-loss_db, abs(balance))
    if worse <= SOLID_DB:
        return Verdict.SOLID
    return Verdict.WATCH if worse <= WATCH_DB else Verdict.LOSES


@dataclass(frozen=True)
class BandsNow:
    """The sub-bands over the last 3 s, one value per band, lowest first. Loss and balance are NaN without a vote."""

    loss_db: FloatArray
    balance_db: FloatArray
    level_dbfs: FloatArray
    votes: FloatArray

    @property
    def worst(self) -> float:
        """Index of the voting band that loses most; NaN if none votes."""
        return float(np.nanargmin(self.loss_db)) if self.votes.any() else np.nan


class LowFoldDown(GatedSums):
    """Pair sums of the low end and its bands, ``(bands, 6)``, energy-gated, over 3 s and since reset.

    The first of ``bands_hz`` is the whole low end: its level opens the gate. ``rate_hz`` as for ``LowBand``.
    """

    def __init__(self, rate_hz: int, bands_hz: Sequence[Edges] = LOW_BANDS_HZ) -> None:
        self._low_band = LowBand(rate_hz, 2, bands_hz)
        shape = (len(bands_hz), PAIR_SUMS)
        super().__init__(self._low_band, self._low_band.hop_seconds, (STEADY_SECONDS,), shape)

    def process(self, pair: FloatArray) -> int:
        """Take ``(frames, 2)``, left and right; returns how many hops ended in it."""
        bands = self._low_band.process(pair)
        if not len(bands):
            return 0
        sums = pair_sums(bands)
        self._gate.push_many(pair_power(sums[:, 0]), sums)
        return len(bands)

    def skip(self, frames: int) -> int:
        """Account for lost frames; returns how many hops ended in them."""
        lost = len(self._low_band.skip(frames))
        self._gate.skip(lost)
        return lost


def bands_now_from(parts: FloatArray) -> BandsNow:
    """Loss, balance, level and vote of each band from ``covariances`` ``(bands, 3)`` without the whole low end."""
    power = pair_power_from(parts)
    votes = power >= power.max() * 10.0 ** (-VOTE_RANGE_DB / 10.0)
    votes &= power > 0.0
    return BandsNow(
        loss_db=np.where(votes, fold_down_loss_db_from(parts), np.nan),
        balance_db=np.where(votes, balance_db_from(parts), np.nan),
        level_dbfs=np.asarray(power_to_db(power)),
        votes=votes.astype(np.float64),
    )
