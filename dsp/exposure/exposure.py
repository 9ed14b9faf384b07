"""Arithmetic of noise exposure: permissible time, share of an allowance, averages. Pure functions, no state.

Levels are in dB(A) re 20 uPa unless a name says otherwise, times in hours, shares in per cent of an allowance.
Every result is an estimate of what a rule counts; no level is called safe.

Sources: NIOSH 98-126 (1998), 1.1; 29 CFR 1910.95, Appendix A; ISO 1999:1990, 3.6 and Directive 2003/10/EC,
Article 2 (exposure levels); ITU-T H.870 (equal energy per week); IEC 61252 (sound exposure, Pa²h).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias, overload

import numpy as np

from dsp.core.types import FloatArray
from dsp.core.units import REFERENCE_PRESSURE_PA, power_to_db

Levels: TypeAlias = Sequence[float] | FloatArray

PERIODS = ("day", "week")
WORKING_DAY_HOURS = 8.0
WORKING_DAYS_PER_WEEK = 5
POINTS_CRITERION_DB = 85.0
"""100 exposure points are 85 dB(A) for 8 hours (British guidance L108, Appendix 3)."""

A_WEEK_HOURS = 168.0
STEPS_HOURS = (
    *(minutes / 60.0 for minutes in (1, 2, 3, 5, 7, 10, 15, 20, 30, 40, 50)),
    1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 70.0, 100.0, 150.0,
)  # fmt: skip

PRINTED_TWA_FACTORS = {3.0: 10.0, 5.0: 16.61}
"""Decibels per decade of dose as the documents print them: NIOSH 98-126, 1.1.3, and 1910.95, Appendix A, I(2)."""

SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True)
class Rule:
    """Allowance of a rule: ``criterion_db`` for ``criterion_hours`` per ``period`` is 100 %.

    ``exchange_db`` is the rise that halves the time; 0 means exact equal energy (3.0103 dB).
    Levels below ``threshold_db`` are not counted. Raises ValueError for figures out of range.
    """

    name: str
    criterion_db: float
    criterion_hours: float
    period: str = "day"
    exchange_db: float = 0.0
    threshold_db: float = 0.0

    def __post_init__(self) -> None:
        figures = (self.criterion_db, self.criterion_hours, self.exchange_db, self.threshold_db)
        if not all(math.isfinite(figure) for figure in figures):
            raise ValueError(f"The rule “{self.name}” has a figure that is not a number.")
        if self.criterion_hours <= 0.0:
            raise ValueError(f"The rule “{self.name}” needs a time above 0 h, not {self.criterion_hours:g} h.")
        if self.exchange_db < 0.0:
            raise ValueError(f"The rule “{self.name}” needs an exchange of 0 dB or more, not {self.exchange_db:g}.")
        if self.period not in PERIODS:
            raise ValueError(f"The rule “{self.name}” is per {' or '.join(PERIODS)}, not per {self.period!r}.")

    @property
    def halving_db(self) -> float:
        """The rise that halves the time, 3.0103 dB for equal energy."""
        return self.exchange_db or 10.0 * math.log10(2.0)

    @property
    def twa_factor(self) -> float:
        """Decibels per decade of dose, as the rule's own document rounds it where it does."""
        return PRINTED_TWA_FACTORS.get(self.exchange_db, self.halving_db / math.log10(2.0))


@overload
def permissible_hours(level_db: float, rule: Rule) -> float: ...
@overload
def permissible_hours(level_db: FloatArray, rule: Rule) -> FloatArray: ...
def permissible_hours(level_db: float | FloatArray, rule: Rule) -> float | FloatArray:
    """Hours after which a level alone makes 100 %; infinite below the threshold, NaN for NaN."""
    levels = np.asarray(level_db, dtype=np.float64)
    with np.errstate(over="ignore"):
        hours = rule.criterion_hours * np.exp2((rule.criterion_db - levels) / rule.halving_db)
    hours = np.where(levels < rule.threshold_db, np.inf, hours)
    return float(hours) if hours.ndim == 0 else hours


def share_percent(levels_db: Levels, hours: Levels, rule: Rule) -> float:
    """Dose of several levels, each for its own time: 100 (C1/T1 + C2/T2 + …); 0 for none."""
    levels, durations = _paired(levels_db, hours)
    taken = durations > 0.0
    with np.errstate(divide="ignore"):
        return float(100.0 * np.sum(durations[taken] / permissible_hours(levels[taken], rule)))


def twa_db(share: float, rule: Rule) -> float:
    """The steady level that makes the same share in ``criterion_hours`` (TWA); minus infinity for 0 %."""
    return rule.criterion_db + rule.twa_factor / 10.0 * power_to_db(share / 100.0)


def level_for_share_db(share: float, hours: float, rule: Rule) -> float:
    """The steady level that makes ``share`` per cent in ``hours``: an action level for a long working day."""
    return twa_db(share * rule.criterion_hours / hours, rule)


def hours_left(share_so_far: float, level_db: float, rule: Rule) -> float:
    """Time at this level until 100 %; 0 once used up, infinite while the level is not counted, NaN for NaN."""
    if math.isnan(share_so_far) or math.isnan(level_db):
        return math.nan
    if share_so_far >= 100.0:
        return 0.0
    return (1.0 - share_so_far / 100.0) * permissible_hours(level_db, rule)


def hours_left_range(share_so_far: float, level_db: float, doubt_db: float, rule: Rule) -> tuple[float, float]:
    """``hours_left`` with all levels ``doubt_db`` higher and as much lower, each by ``round_hours_down``.

    An error of the calibration is the same for the level now and for what was used so far, whose share it changes by
    a factor (exact for levels that stay on one side of the threshold).
    """
    with np.errstate(over="ignore"):
        factor = float(np.exp2(doubt_db / rule.halving_db))
    fixed = share_so_far in (0.0, math.inf)
    low = hours_left(share_so_far if fixed else share_so_far * factor, level_db + doubt_db, rule)
    high = hours_left(share_so_far if fixed else share_so_far / factor, level_db - doubt_db, rule)
    return round_hours_down(low), round_hours_down(high)


def round_hours_down(hours: float) -> float:
    """The next lower of about six steps a decade, so that an estimate is neither too precise nor too long.

    Under a minute is 0, more than a week is infinite; NaN for NaN.
    """
    if math.isnan(hours):
        return math.nan
    if hours > A_WEEK_HOURS:
        return math.inf
    return max((step for step in STEPS_HOURS if step <= hours * (1.0 + 1e-9)), default=0.0)


def equivalent_level_db(levels_db: Levels, hours: Levels) -> float:
    """Energy average Leq; NaN without time, minus infinity for silence."""
    levels, durations = _paired(levels_db, hours)
    if durations.sum() <= 0.0:
        return math.nan
    return power_to_db(float(np.average(10.0 ** (levels / 10.0), weights=durations)))


def daily_level_db(levels_db: Levels, hours: Levels) -> float:
    """LEX,8h: all of a day's energy spread over 8 hours (ISO 1999:1990, 3.6)."""
    levels, durations = _paired(levels_db, hours)
    return power_to_db(float(np.sum(durations * 10.0 ** (levels / 10.0))) / WORKING_DAY_HOURS)


def weekly_level_db(daily_levels_db: Levels, days: int = WORKING_DAYS_PER_WEEK) -> float:
    """LEX,w: the daily levels of a week, averaged over five 8-hour days (Directive 2003/10/EC, Article 2)."""
    energies = 10.0 ** (np.asarray(daily_levels_db, dtype=np.float64) / 10.0)
    return power_to_db(float(energies.sum()) / days)


def exposure_points(level_db: float, hours: float) -> float:
    """Points of one stretch, 100 = 85 dB(A) for 8 hours; they add up (British guidance L108, Appendix 3)."""
    return float(100.0 * hours / WORKING_DAY_HOURS * 10.0 ** ((level_db - POINTS_CRITERION_DB) / 10.0))


def level_of_points_db(points: float) -> float:
    """LEX,8h of a day's points; minus infinity for none."""
    return POINTS_CRITERION_DB + power_to_db(points / 100.0)


def sound_exposure_pa2h(level_db: float, hours: float) -> float:
    """Sound exposure E in pascal-squared hours of a level that lasts (IEC 61252)."""
    return float(REFERENCE_PRESSURE_PA**2 * 10.0 ** (level_db / 10.0) * hours)


def daily_level_of_exposure_db(exposure_pa2h: float) -> float:
    """LEX,8h of a sound exposure in Pa²h; minus infinity for none."""
    return power_to_db(exposure_pa2h / (REFERENCE_PRESSURE_PA**2 * WORKING_DAY_HOURS))


def exposure_level_db(exposure_pa2h: float) -> float:
    """Sound exposure level (SEL, LAE): the same energy within one second; minus infinity for none."""
    return power_to_db(exposure_pa2h * SECONDS_PER_HOUR / REFERENCE_PRESSURE_PA**2)


def pressure_level_db(pressure_pa: float) -> float:
    """Level of a sound pressure re 20 uPa; minus infinity for none."""
    return power_to_db((pressure_pa / REFERENCE_PRESSURE_PA) ** 2)


def _paired(levels_db: Levels, hours: Levels) -> tuple[FloatArray, FloatArray]:
    levels = np.atleast_1d(np.asarray(levels_db, dtype=np.float64))
    durations = np.atleast_1d(np.asarray(hours, dtype=np.float64))
    if levels.shape != durations.shape:
        raise ValueError(f"{levels.size} levels were given with {durations.size} times; each level needs its own.")
    if np.any(durations < 0.0):
        raise ValueError("A time below 0 h was given; times are 0 or more.")
    return levels, durations
