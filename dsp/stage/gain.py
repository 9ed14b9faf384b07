"""Gain of a stage from moment to moment: make-up, squeeze, and the curve of level out against level in.

``G`` is the power after over the power before in 10 ms. Make-up is its 98th percentile: the moments in which nothing
is held down. Squeeze is make-up less ``G``. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray

MAKE_UP_PERCENTILE = 98.0
GATE_DBFS = -60.0
LOUD_PERCENTILE, BELOW_LOUD_DB = 95.0, 40.0
"""Moments more than 40 dB under the loud ones are left out (judgement): hiss and tails have gains of their own."""
LEAST_TICKS = 100
OVER_DB = 1.0
LEAST_IN_BIN = 10
SLOPE_DB = 3.0
"""Span of quiet input levels over which the curve must be straight, or the stage never lets go."""
LEAST_SLOPE_CHANGE = 0.1
MUTED = 1e-9
"""A moment 90 dB under what is expected is muted: it has no gain to tell."""
GATE_DB, KNEE_DB = 6.0, 1.0
"""A curve whose quietest end is so far under its top turns quiet moments down; up to where it is so near the top
(judgement)."""
FULL_SCALE_DB = 10.0 * np.log10(2.0)
"""Levels are re a full-scale sine (AES17)."""


@dataclass(frozen=True)
class Squeeze:
    """Decibels that the stage holds the sound down: median, 90th percentile and most, over loud enough moments.

    ``over_percent`` is the share of moments over 1 dB. ``at_least`` is True where the stage still moves at the
    quietest moments, so make-up is not seen; ``expands`` where it turns quiet moments down, which are then left out
    of the figures. ``curve`` is ``(levels, 2)``: input and usual output in dB re a full-scale sine, a row a decibel.
    ``muted_percent`` is the share of moments in which nothing comes out.
    """

    make_up_db: float
    median_db: float
    p90_db: float
    max_db: float
    over_percent: float
    at_least: bool
    expands: bool
    curve: FloatArray
    muted_percent: float


def loud_enough(before_power: FloatArray) -> NDArray[np.bool_]:
    """Which moments count, bool ``(ticks,)``, of mean squares."""
    with np.errstate(divide="ignore"):
        level_db = 10.0 * np.log10(before_power)
    heard = level_db[level_db > GATE_DBFS]
    if not len(heard):
        return np.zeros(len(level_db), dtype=bool)
    gate = max(GATE_DBFS, float(np.percentile(heard, LOUD_PERCENTILE)) - BELOW_LOUD_DB)
    return np.asarray(level_db > gate)


def squeeze(before_power: FloatArray, after_power: FloatArray, expected: FloatArray) -> Squeeze | None:
    """The squeeze of ticks ``(ticks,)``; ``expected`` is what would come out with a gain of 1.

    That is ``before_power`` for a stage with a flat response, otherwise before through the response. None where fewer
    than a second is loud enough.
    """
    loud = loud_enough(before_power) & (expected > 0.0)
    counted = loud & (after_power > MUTED * expected)
    if counted.sum() < LEAST_TICKS:
        return None
    gain_db = 10.0 * np.log10(after_power[counted] / expected[counted])
    level_db = 10.0 * np.log10(before_power[counted]) + FULL_SCALE_DB
    make_up = float(np.percentile(gain_db, MAKE_UP_PERCENTILE))
    curve = _curve(level_db, gain_db)
    slope, knee_db = _quiet_slope(curve), _knee_db(curve)
    muted_db = 10.0 * np.log10(before_power[loud & ~counted]) + FULL_SCALE_DB
    above = level_db >= knee_db
    held = np.maximum(0.0, make_up - gain_db[above if above.sum() >= LEAST_TICKS else slice(None)])
    return Squeeze(
        make_up,
        float(np.median(held)),
        float(np.percentile(held, 90.0)),
        float(held.max()),
        100.0 * float((held > OVER_DB).mean()),
        at_least=slope < -LEAST_SLOPE_CHANGE,
        expands=slope > LEAST_SLOPE_CHANGE or knee_db > -np.inf or _are_quiet(muted_db, level_db),
        curve=curve,
        muted_percent=100.0 * len(muted_db) / float(loud.sum()),
    )


def _are_quiet(muted_db: FloatArray, level_db: FloatArray) -> bool:
    """Whether it is the quiet moments that are muted."""
    return len(muted_db) > 0 and bool(np.median(muted_db) < np.percentile(level_db, 25.0))


def _knee_db(curve: FloatArray) -> float:
    """Input level up to which a gate turns down; minus infinity without one."""
    gains = curve[:, 1] - curve[:, 0]
    if len(gains) < 2 or gains.max() - gains[0] < GATE_DB:
        return -np.inf
    return float(curve[np.flatnonzero(gains >= gains.max() - KNEE_DB)[0], 0])


def _curve(level_db: FloatArray, gain_db: FloatArray) -> FloatArray:
    """Input level and usual output level for each decibel that is reached often enough."""
    bins = np.round(level_db).astype(int)
    rows = []
    for level in np.unique(bins):
        inside = bins == level
        if inside.sum() >= LEAST_IN_BIN:
            here = float(np.median(level_db[inside]))
            rows.append((here, here + float(np.median(gain_db[inside]))))
    return np.array(rows).reshape(-1, 2)


def _quiet_slope(curve: FloatArray) -> float:
    """Change of gain per decibel of input over the quietest levels; 0 where there are too few."""
    if len(curve) < 3:
        return 0.0
    quiet = curve[curve[:, 0] <= curve[0, 0] + 2.0 * SLOPE_DB]
    if len(quiet) < 3 or quiet[-1, 0] - quiet[0, 0] < SLOPE_DB:
        return 0.0
    return float(np.polyfit(quiet[:, 0], quiet[:, 1] - quiet[:, 0], 1)[0])
