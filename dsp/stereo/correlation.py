"""Correlation and balance of two channels, from sums over any stretch of time.

The six sums of a pair, in this order: frames, left, right, left squared, right squared, left times right.
Means are removed, so a constant offset changes nothing. Closed form: r = cov / sqrt(var_left var_right).
"""

from __future__ import annotations

import numpy as np

from dsp.core.energy_gate import GatedSums
from dsp.core.hops import HopBuffer
from dsp.core.types import FloatArray, Spec

PAIR_SUMS = 6
HOPS_PER_SECOND = 20
QUICK_SECONDS = 0.3
STEADY_SECONDS = 3.0

OFFSET_ROUNDING = 1e-13
"""A variance below this share of the mean square is the rounding of a constant, not sound."""


def pair_columns(spec: Spec) -> list[int] | None:
    """Columns of left and right by role, otherwise the first two; None for one channel."""
    if spec.channels < 2:
        return None
    if "L" in spec.roles and "R" in spec.roles:
        return [spec.roles.index("L"), spec.roles.index("R")]
    return [0, 1]


def pair_sums(pair: FloatArray) -> FloatArray:
    """The six sums of ``(..., frames, 2)`` over its frames, shape ``(..., 6)``."""
    sums = np.empty((*pair.shape[:-2], PAIR_SUMS))
    products = pair.swapaxes(-1, -2) @ pair
    sums[..., 0] = pair.shape[-2]
    sums[..., 1:3] = np.ones(pair.shape[-2]) @ pair
    sums[..., 3] = products[..., 0, 0]
    sums[..., 4] = products[..., 1, 1]
    sums[..., 5] = products[..., 0, 1]
    return sums


def covariances(sums: FloatArray) -> FloatArray:
    """Variance of left, variance of right and covariance, ``(..., 3)``, from ``(..., 6)`` sums; NaN for no frames."""
    with np.errstate(divide="ignore", invalid="ignore"):
        means = sums[..., 1:] / sums[..., :1]
    result = means[..., 2:].copy()
    result[..., :2] -= means[..., :2] ** 2
    result[..., 2] -= means[..., 0] * means[..., 1]
    still = result[..., :2] <= OFFSET_ROUNDING * means[..., 2:4]
    if still.any():
        result[..., :2][still] = 0.0
        result[..., 2][still.any(axis=-1)] = 0.0
    return np.asarray(result)


def correlation(sums: FloatArray) -> FloatArray:
    """Correlation -1 to +1 of ``(..., 6)`` sums; NaN where a channel is silent or constant."""
    return correlation_from(covariances(sums))


def correlation_from(parts: FloatArray) -> FloatArray:
    """Correlation from ``covariances`` ``(..., 3)``."""
    spreads = np.sqrt(parts[..., :2])
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((parts[..., 2] / (spreads[..., 0] * spreads[..., 1])).clip(-1.0, 1.0))


def balance_db(sums: FloatArray) -> FloatArray:
    """Left over right in dB of ``(..., 6)`` sums; plus or minus infinity where one is silent, NaN where both are."""
    return balance_db_from(covariances(sums))


def balance_db_from(parts: FloatArray) -> FloatArray:
    """Balance from ``covariances`` ``(..., 3)``."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10.0 * np.log10(parts[..., 0] / parts[..., 1]))


def pair_power(sums: FloatArray) -> FloatArray:
    """Mean power of the two channels, 1.0 when both hold a full-scale sine (AES17); constant offsets left out."""
    return pair_power_from(covariances(sums))


def pair_power_from(parts: FloatArray) -> FloatArray:
    """Power from ``covariances`` ``(..., 3)``."""
    return np.asarray(parts[..., :2].sum(axis=-1))


class Correlation(GatedSums):
    """Correlation and balance of a stream of pairs, energy-gated (``energy_gate``), in hops of 50 ms.

    Sums are ``(6,)``, over 0.3 s and 3 s.
    """

    def __init__(self, rate_hz: int) -> None:
        self._hop_frames = max(1, round(rate_hz / HOPS_PER_SECOND))
        self._hops = HopBuffer(self._hop_frames, 0, 2)
        super().__init__(self._hops, self._hop_frames / rate_hz, (QUICK_SECONDS, STEADY_SECONDS), (PAIR_SUMS,))

    def process(self, pair: FloatArray) -> int:
        """Take ``(frames, 2)``, left and right; returns how many hops ended in it."""
        ended = 0
        for hops, segment in self._hops.runs(pair):
            ended += hops
            if segment is None:
                self._gate.skip(hops)
                continue
            sums = pair_sums(segment.reshape(hops, self._hop_frames, 2))
            self._gate.push_many(pair_power(sums), sums)
        return ended

    def skip(self, frames: int) -> int:
        """Account for lost frames; returns how many hops ended in them."""
        lost = self._hops.skip(frames)
        self._gate.skip(lost)
        return lost

    @property
    def quick_sums(self) -> FloatArray:
        """Gated sums of the last 0.3 s."""
        return self._gate.windows[0]
