"""Tables, JSON and CSV of an exposure record. Every figure is marked as an estimate."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta, timezone
from typing import Any, TextIO

from rich.table import Table

from dsp.exposure.exposure import WORKING_DAYS_PER_WEEK, Rule, equivalent_level_db
from meter.exposure_rules import ExposureRule
from meter.figures import hours_range
from meter.logbook.exposure_summary import Day, Summary
from meter.logbook.history import MOST_COUNTED_SECONDS, Gap, History
from meter.logbook.stored_levels import NOT_HEARD, SECONDS_PER_MINUTE, decode

A_WEEK_HOURS = 7 * 24.0
UNKNOWN = "–"
LIMITLESS = "no figure: the rule allows no time at all"
ENDLESS = "more than a week at this level"
CAUTIONS = (
    "This is an estimate made from the audio this computer sends out and a calibration you did. It is not a medical "
    "or legal measurement; an error of 3 dB is a factor of two in time.",
    "It does not include the room or the rest of your day, and staying within a rule is no promise that your hearing "
    "takes no harm. Rules at your workplace and in your country come first.",
    "Ringing, dullness or pain after listening: stop, rest your ears, and see an audiologist or doctor.",
)
JSON_KEYS = {
    "share": "share_percent",
    "share_today": "share_today_percent",
    "share_week": "share_week_percent",
    "hours_today": "heard_today_hours",
    "hours_week": "heard_week_hours",
    "level_8h_today_dba": "level_8h_today_dba",
    "level_week_dba": "level_week_dba",
    "twa_dba": "twa_dba",
    "minute_dba": "last_minute_dba",
    "quarter_hour_dba": "last_quarter_hour_dba",
    "peak_today_dbc": "highest_peak_today_dbc",
}
DECIMALS = {"hours": 2, "percent": 1, "dba": 1, "dbc": 1}
"""More decimals would overstate the accuracy of an estimate."""

CSV_HEADER = (
    "person", "utc", "local", "heard_seconds", "estimated_laeq_dba", "estimated_highest_second_dba",
    "estimated_highest_peak_dbc", "doubt_db",
)  # fmt: skip
MOST_OFFSET_MINUTES = 24 * 60 - 1
LAST_SECOND = 253_402_214_400
"""The start of the last day of the year 9999, so that no offset leaves the calendar."""


def estimate(summary: Summary) -> str:
    """The mark beside every figure: estimate, with its uncertainty in whole dB."""
    return f"estimate ±{math.ceil(summary.doubt_db)} dB"


def decibels(level: float, weighting: str) -> str:
    """Whole decibels; silence as a word, an unknown level as a dash."""
    if math.isnan(level) or level == math.inf:
        return UNKNOWN
    return "silence" if level == -math.inf else f"{level:.0f} dB({weighting})"


def percent(share: float) -> str:
    """Whole per cent; a positive share that rounds to 0 is "less than 1 %"."""
    if share == math.inf:
        return LIMITLESS
    return "less than 1 %" if 0.0 < share < 1.0 else f"{share:.0f} %"


def duration(hours: float) -> str:
    """Whole minutes, rounded down; more than a week is words, an unknown time a dash."""
    if math.isnan(hours):
        return UNKNOWN
    if hours > A_WEEK_HOURS:
        return ENDLESS
    minutes = math.floor(hours * 60.0 + 1e-6)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def day_name(day: int) -> str:
    """A local day (days since 1970) as weekday and date."""
    date = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=day)
    return f"{date:%A} {date.day} {date:%B %Y}"


def clock_time(second: float, offset_minutes: int) -> datetime:
    """A second since 1970 as local time with its offset, limited to the calendar."""
    offset = min(max(offset_minutes, -MOST_OFFSET_MINUTES), MOST_OFFSET_MINUTES)
    return datetime.fromtimestamp(min(max(second, 0), LAST_SECOND), timezone(timedelta(minutes=offset)))


def of_today(rule: Rule) -> str:
    """The allowance that today's share refers to."""
    return "the week's allowance" if rule.period == "week" else "the day's allowance"


def of_week(rule: Rule) -> str:
    """The allowance that the share of the last 7 days refers to."""
    return "the week's allowance" if rule.period == "week" else f"{WORKING_DAYS_PER_WEEK} days' allowance"


def table_of(summary: Summary) -> Table:
    """Table of today and the last 7 days; every share has the rule's name."""
    rule, why = summary.rule, summary.why
    table = Table(box=None, show_header=False, pad_edge=False)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")

    def row(name: str, key: str, text: str) -> None:
        table.add_row(name, why.get(key) or text)

    named = f"({rule.name})"
    row("today", "share_today", f"{percent(summary.share_today)} of {of_today(rule)} {named}")
    row("last 7 days", "share_week", f"{percent(summary.share_week)} of {of_week(rule)} {named}")
    row("heard today", "hours_today", duration(summary.hours_today))
    row("heard in 7 days", "hours_week", duration(summary.hours_week))
    row("spread over 8 hours", "level_8h_today_dba", f"today {decibels(summary.level_8h_today_dba, 'A')}")
    row(
        "steady level",
        "twa_dba",
        f"{decibels(summary.twa_dba, 'A')} for {rule.criterion_hours:g} h make the same share {named}",
    )
    row(
        "highest peak today", "peak_today_dbc", f"{decibels(summary.peak_today_dbc, 'C')}, no check of any peak limit"
    )
    row("last 15 minutes", "quarter_hour_dba", decibels(summary.quarter_hour_dba, "A"))
    row("last minute", "time_left_low", _left(summary))
    return table


def days_table(summary: Summary) -> Table:
    """Table of the days in the last 7 times 24 hours with a record, one line each."""
    table = Table(
        box=None,
        pad_edge=False,
        title=f"Shares of {of_today(summary.rule)} ({summary.rule.name}), {estimate(summary)}",
    )
    table.title_justify = "left"
    for heading in ("day", "share", "heard", "over 8 hours", "highest peak"):
        table.add_column(heading, no_wrap=True)
    for day in summary.days:
        name = day_name(day.day) + ("" if day.whole else ", its later part")
        peak = decibels(day.peak_dbc, "C")
        table.add_row(name, percent(day.share), duration(day.hours), decibels(day.level_8h_dba, "A"), peak)
    return table


def gap_lines(gaps: Iterable[Gap], *, counted: bool) -> Iterator[str]:
    """Lines of the gaps, and how they are counted."""
    lines = [_gap_line(gap) for gap in gaps]
    if not lines:
        return
    most = duration(MOST_COUNTED_SECONDS / 3600.0)
    how = f"counted at the level before, {most} of each at most" if counted else "not counted"
    yield f"Unheard time ({how}):"
    yield from lines


def as_json(
    person: str, exposure_rule: ExposureRule | None, summary: Summary, *, counted: bool, notes: list[str]
) -> dict[str, Any]:
    """Numbers, or null with the reason under ``why``."""
    found: dict[str, Any] = {"person": person, "rule": summary.rule.name, "estimate": estimate(summary)}
    why: dict[str, str] = {}
    for name, key in JSON_KEYS.items():
        value = getattr(summary, name)
        reason = summary.why.get(name, "") or _no_number(name, value)
        found[key] = None if reason else round(value, DECIMALS[key.rpartition("_")[2]])
        if reason:
            why[key] = reason
    found["time_left_hours"], reason = _range_json(summary)
    if reason:
        why["time_left_hours"] = reason
    found["days"] = [_day_json(day) for day in summary.days]
    found["gaps"] = [_gap_json(gap) for gap in summary.gaps]
    found["gaps_counted"] = counted
    found["cautions"] = [*([exposure_rule.caution] if exposure_rule else []), *CAUTIONS]
    if notes:
        found["notes"] = notes
    if why:
        found["why"] = why
    return found


def write_minutes(history: History, person: str, out: TextIO) -> int:
    """Write a header and one line for each recorded minute; returns their count."""
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(CSV_HEADER)
    written = 0
    columns = (history.minutes, history.offsets, history.codes, history.peaks_dbc, history.doubts_db)
    for minute, offset, codes, peak, doubt in zip(*columns, strict=True):
        levels = decode(codes[codes != NOT_HEARD])
        if not levels.size:
            continue
        second = int(minute) * SECONDS_PER_MINUTE
        average = equivalent_level_db(levels, [1.0] * levels.size)
        writer.writerow(
            [
                person, clock_time(second, 0).strftime("%Y-%m-%dT%H:%MZ"),
                clock_time(second, int(offset)).isoformat(timespec="minutes"), levels.size,
                _cell(average), _cell(float(levels.max())), _cell(float(peak)), _cell(float(doubt)),
            ]
        )  # fmt: skip
        written += 1
    return written


def _left(summary: Summary) -> str:
    """The level now and the time left at it; an estimate, no promise."""
    level, rule = decibels(summary.minute_dba, "A"), summary.rule
    if summary.minute_dba == -math.inf:
        return "silence, which uses nothing up"
    if summary.time_left_low == math.inf:
        return f"{level}: {ENDLESS} within the rule ({rule.name})"
    if summary.time_left_high <= 0.0:
        return f"{level}: the allowance is used up ({rule.name}); rest your ears"
    left = hours_range(summary.time_left_low, summary.time_left_high)
    return f"{level}: about {left} left at this level ({rule.name})"


def _range_json(summary: Summary) -> tuple[dict[str, float | None] | None, str]:
    """Least and most hours left, the same as in the table, and why there is no number."""
    ends = {"low": summary.time_left_low, "high": summary.time_left_high}
    reason = summary.why.get("time_left_low", "")
    if reason or summary.time_left_low == math.inf:
        return None, reason or ENDLESS
    numbers = {
        name: round(hours, DECIMALS["hours"]) if math.isfinite(hours) else None for name, hours in ends.items()
    }
    return numbers, ENDLESS if None in numbers.values() else ""


def _gap_line(gap: Gap) -> str:
    begin = clock_time(gap.start, gap.offset)
    level = "nothing was heard before" if math.isnan(gap.level_dba) else f"{decibels(gap.level_dba, 'A')} before"
    if gap.end is None:
        return f"  since {day_name(gap.day)}, {begin:%H:%M}, {level}"
    end = clock_time(gap.end, gap.offset)
    return f"  {day_name(gap.day)}, {begin:%H:%M:%S} to {end:%H:%M:%S} ({_length(gap.end - gap.start)}), {level}"


def _length(seconds: int) -> str:
    return f"{seconds} s" if seconds < SECONDS_PER_MINUTE else duration(seconds / 3600.0)


def _no_number(name: str, value: float) -> str:
    """The reason why a figure is infinite."""
    if value == -math.inf:
        return "silence"
    if value == math.inf:
        return LIMITLESS
    return "" if math.isfinite(value) else "not known"


def _day_json(day: Day) -> dict[str, Any]:
    date = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=day.day)
    return {
        "date": date.date().isoformat(),
        "whole": day.whole,
        "share_percent": round(day.share, DECIMALS["percent"]) if math.isfinite(day.share) else None,
        "heard_hours": round(day.hours, DECIMALS["hours"]),
        "level_8h_dba": _number(day.level_8h_dba),
        "highest_peak_dbc": _number(day.peak_dbc),
    }


def _gap_json(gap: Gap) -> dict[str, Any]:
    return {
        "start": clock_time(gap.start, gap.offset).isoformat(),
        "end": None if gap.end is None else clock_time(gap.end, gap.offset).isoformat(),
        "level_before_dba": _number(gap.level_dba),
        "counted_minutes": round(gap.counted_seconds / SECONDS_PER_MINUTE, 1),
    }


def _number(level: float) -> float | None:
    return round(level, 1) if math.isfinite(level) else None


def _cell(level: float) -> str:
    return f"{level:.1f}" if math.isfinite(level) else ""
