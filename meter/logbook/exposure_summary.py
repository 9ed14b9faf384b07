"""Figures of an exposure record: shares of a rule's allowance, averages, time left. All are estimates.

*Today* is the local calendar day, as it was where the listening happened; *the week* is the last 7 times 24 hours. A
rule per day counts today's listening against one day's allowance and the week's against five (a working week,
Directive 2003/10/EC, Article 2); a rule per week counts both against the week's. NaN is "not known": where
there was no listening under a calibration there is no figure, and no figure means no promise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from dsp.exposure.exposure import (
    SECONDS_PER_HOUR,
    WORKING_DAYS_PER_WEEK,
    Rule,
    daily_level_db,
    hours_left,
    hours_left_range,
    twa_db,
    weekly_level_db,
)
from meter.logbook.exposure_record import USUAL_DOUBT_DB, ExposureRecord
from meter.logbook.history import MINUTES_PER_DAY, BoolArray, Gap, History, gap_share
from meter.logbook.stored_levels import SECONDS_PER_MINUTE

DAYS = 7
WEEK_MINUTES = DAYS * MINUTES_PER_DAY
MINUTE_SECONDS, QUARTER_HOUR_SECONDS = 60, 900
LEAST_KNOWN_SHARE = 0.5
"""An average needs levels for this share of its span."""

NEVER = "not calibrated: no listening under a calibration is recorded"
NOT_TODAY = "no listening under a calibration today"
NOT_THIS_WEEK = "no listening under a calibration in the last 7 days"
NOT_NOW = "no listening under a calibration just now"


@dataclass(frozen=True)
class Day:
    """One local day (days since 1970) within the week; ``whole`` is False for the day that the week cuts."""

    day: int
    share: float
    hours: float
    level_8h_dba: float
    peak_dbc: float
    whole: bool


@dataclass(frozen=True)
class Summary:
    """Per cent, dB(A), hours; see the module. ``share`` is that of the rule's own period.

    ``doubt_db`` is the most that any level in it may be off by, either way. ``time_left_minute`` is exact arithmetic
    at the level of the last minute; ``time_left_low`` and ``time_left_high`` are what an estimate supports. ``why``
    names, for each figure that is NaN, the reason.
    """

    rule: Rule
    doubt_db: float
    share: float
    share_today: float
    share_week: float
    hours_today: float
    hours_week: float
    level_8h_today_dba: float
    level_week_dba: float
    twa_dba: float
    minute_dba: float
    quarter_hour_dba: float
    time_left_minute: float
    time_left_low: float
    time_left_high: float
    peak_today_dbc: float
    days: tuple[Day, ...]
    gaps: tuple[Gap, ...]
    why: dict[str, str]


def local_day(at: float, offset_minutes: int) -> int:
    """The local day of a moment, in days since 1970."""
    return (math.floor(at) // SECONDS_PER_MINUTE + offset_minutes) // MINUTES_PER_DAY


@dataclass(frozen=True)
class Shares:
    """Per cent of the allowance; NaN without a level. ``period`` is that of the rule's own period."""

    period: float
    today: float
    week: float


def shares_of(history: History, rule: Rule, now: float, today: int, *, count_gaps: bool) -> Shares:
    """Shares of the allowances that were used; with ``count_gaps`` gaps count at the level before them."""
    shares = history.shares(rule)
    in_week = _in_week(history, now)
    in_today = history.days >= today
    gaps = history.gaps if count_gaps else ()
    since = _week_begins(now)
    today_share = _total(history, shares, in_today) + gap_share([gap for gap in gaps if gap.day >= today], rule)
    week_share = _total(history, shares, in_week) + gap_share([gap for gap in gaps if gap.at >= since], rule)
    per_week = 1 if rule.period == "week" else WORKING_DAYS_PER_WEEK
    return Shares(week_share if rule.period == "week" else today_share, today_share, week_share / per_week)


def summarise(ledger: ExposureRecord, person: str, rule: Rule, now: float, offset_minutes: int, *,
              count_gaps: bool) -> Summary:  # fmt: skip
    """All figures of a person at ``now`` (seconds since 1970), for a table or JSON."""
    today = local_day(now, offset_minutes)
    # One day more than the week, so that today is whole in every time zone.
    history = ledger.history(person, now - (WEEK_MINUTES + MINUTES_PER_DAY) * SECONDS_PER_MINUTE)
    shares = shares_of(history, rule, now, today, count_gaps=count_gaps)
    in_today, in_week = history.days >= today, _in_week(history, now)
    minute = _recent_dba(history, now, MINUTE_SECONDS)
    quarter = _recent_dba(history, now, QUARTER_HOUR_SECONDS)
    days = _days(history, rule, now, today)
    used = 0.0 if math.isnan(shares.period) else shares.period
    left = hours_left_range(used, minute, _doubt_now(history), rule)
    return Summary(
        rule=rule,
        doubt_db=float(history.doubts_db[in_today | in_week].max(initial=USUAL_DOUBT_DB)),
        share=shares.period,
        share_today=shares.today,
        share_week=shares.week,
        hours_today=_hours(history, in_today),
        hours_week=_hours(history, in_week),
        level_8h_today_dba=_level_8h(history, in_today),
        level_week_dba=_level_week(days),
        twa_dba=math.nan if math.isnan(shares.period) else twa_db(shares.period, rule),
        minute_dba=minute,
        quarter_hour_dba=quarter,
        time_left_minute=hours_left(used, minute, rule),
        time_left_low=left[0],
        time_left_high=left[1],
        peak_today_dbc=_peak(history, in_today),
        days=days,
        gaps=tuple(gap for gap in history.gaps if gap.at >= _week_begins(now)),
        why=_why(ledger, person, in_today, in_week, minute, quarter, rule),
    )


def _doubt_now(history: History) -> float:
    """The uncertainty of the newest minute: that of the calibration in force, as the window shows it."""
    return float(history.doubts_db[-1]) if len(history.doubts_db) else USUAL_DOUBT_DB


def _week_begins(now: float) -> int:
    """The first minute of the last 7 times 24 hours."""
    return math.floor(now) // SECONDS_PER_MINUTE - WEEK_MINUTES + 1


def _in_week(history: History, now: float) -> BoolArray:
    return history.at >= _week_begins(now)


def _total(history: History, shares: np.ndarray, chosen: BoolArray) -> float:
    return float(shares[chosen].sum()) if history.heard_seconds[chosen].any() else math.nan


def _hours(history: History, chosen: BoolArray) -> float:
    return float(history.heard_seconds[chosen].sum()) / SECONDS_PER_HOUR


def _level_8h(history: History, chosen: BoolArray) -> float:
    levels, hours = history.levels_and_hours(chosen)
    return daily_level_db(levels, hours) if hours.size else math.nan


def _level_week(days: tuple[Day, ...]) -> float:
    levels = [day.level_8h_dba for day in days if not math.isnan(day.level_8h_dba)]
    return weekly_level_db(levels) if levels else math.nan


def _peak(history: History, chosen: BoolArray) -> float:
    peaks = history.peaks_dbc[chosen]
    return float(np.nanmax(peaks)) if np.isfinite(peaks).any() else math.nan


def _recent_dba(history: History, now: float, seconds: int) -> float:
    """Average of the last seconds; NaN unless half of them have a level."""
    end = math.floor(now) + 1
    level, seconds_known = history.average_dba(end - seconds, end)
    return level if seconds_known >= LEAST_KNOWN_SHARE * seconds else math.nan


def _days(history: History, rule: Rule, now: float, today: int) -> tuple[Day, ...]:
    """Every local day of the week with a level, the newest first."""
    in_week = _in_week(history, now)
    shares = history.shares(rule)
    found = []
    for day in range(today, today - DAYS - 1, -1):
        of_day = history.days >= today if day == today else history.days == day
        chosen = of_day & in_week
        hours = _hours(history, chosen)
        if hours:
            share = float(shares[chosen].sum())
            whole = not bool((of_day & ~in_week).any())
            found.append(Day(day, share, hours, _level_8h(history, chosen), _peak(history, chosen), whole))
    return tuple(found)


def _why(ledger: ExposureRecord, person: str, in_today: BoolArray, in_week: BoolArray, minute: float, quarter: float,
         rule: Rule) -> dict[str, str]:  # fmt: skip
    """The reason for every unknown figure."""
    never = NEVER if ledger.extent(person) is None and not in_week.any() else ""
    today = never or ("" if in_today.any() else NOT_TODAY)
    week = never or ("" if in_week.any() else NOT_THIS_WEEK)
    period = week if rule.period == "week" else today
    reasons = {
        "share_today": today, "level_8h_today_dba": today, "hours_today": today, "peak_today_dbc": today,
        "share_week": week, "level_week_dba": week, "hours_week": week,
        "share": period, "twa_dba": period,
        "minute_dba": never or ("" if math.isfinite(minute) else NOT_NOW),
        "quarter_hour_dba": never or ("" if math.isfinite(quarter) else NOT_NOW),
        "time_left_minute": never or (NOT_NOW if math.isnan(minute) else ""),
        "time_left_low": never or (NOT_NOW if math.isnan(minute) else ""),
        "time_left_high": never or (NOT_NOW if math.isnan(minute) else ""),
    }  # fmt: skip
    return {key: reason for key, reason in reasons.items() if reason}
