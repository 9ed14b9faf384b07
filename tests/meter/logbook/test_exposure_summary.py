"""Days, weeks, time zones and time left; where nothing is known there is no figure, but a reason."""

from __future__ import annotations

import math
import time as system_time
from collections.abc import Iterator
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path

import pytest

from meter.logbook.clock import SittingClock, steady_seconds, utc_offset_minutes
from meter.logbook.exposure_record import ExposureRecord
from meter.logbook.exposure_summary import NEVER, NOT_NOW, NOT_THIS_WEEK, NOT_TODAY, Summary, local_day, summarise
from meter.logbook.store import open_store
from tests.support.ledgers import DAY, HOUR, ME, NIOSH, NOON, SENSITIVE, WEEKLY, Desk, FakeTime

NOT_FIGURES = ("rule", "doubt_db", "days", "gaps", "why")


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    used = Desk(tmp_path)
    yield used
    used.ledger.close()


def figures(summary: Summary) -> dict[str, float]:
    return {each.name: getattr(summary, each.name) for each in fields(summary) if each.name not in NOT_FIGURES}


@pytest.mark.parametrize("rule", [NIOSH, WEEKLY])
def test_without_a_calibration_there_is_a_reason_in_place_of_every_figure(desk: Desk, rule) -> None:
    summary = desk.summary(rule)
    numbers = {key: value for key, value in figures(summary).items() if not key.startswith("hours")}
    assert all(math.isnan(value) for value in numbers.values())
    assert summary.why == dict.fromkeys(figures(summary), NEVER)
    assert (summary.days, summary.gaps) == ((), ())


def test_what_is_known_of_the_week_is_not_known_of_today(desk: Desk) -> None:
    desk.listen(85.0, HOUR)
    desk.pause(2 * DAY)
    summary = desk.summary(NIOSH)
    assert summary.why["share_today"] == summary.why["share"] == NOT_TODAY
    assert math.isnan(summary.share_today)
    assert summary.share_week == pytest.approx(100 / 8 / 5)
    assert "share_week" not in summary.why
    assert summary.why["time_left_minute"] == summary.why["time_left_low"] == NOT_NOW
    weekly = desk.summary(WEEKLY)
    assert "share" not in weekly.why
    desk.time.go(6 * DAY)
    assert desk.summary(NIOSH).why["share_week"] == NOT_THIS_WEEK


def test_time_left_follows_the_last_minute(desk: Desk) -> None:
    desk.listen(85.0, 4 * HOUR)
    desk.listen(91.0, 60)
    summary = desk.summary(NIOSH)
    used = 50.0 + 100 / 120
    assert summary.share == pytest.approx(used)
    assert summary.minute_dba == pytest.approx(91.0)
    assert summary.time_left_minute == pytest.approx((1 - used / 100) * 2.0)
    # 14 of the 15 minutes at 85 dB: 10 log10((14 x 10^8.5 + 10^9.1) / 15) = 85.78 dB(A).
    assert summary.quarter_hour_dba == pytest.approx(85.78, abs=0.01)


def test_below_the_threshold_time_is_without_end_and_over_the_top_it_is_none(desk: Desk) -> None:
    desk.listen(70.0, 120)
    assert desk.summary(NIOSH).time_left_minute == math.inf
    desk.listen(100.0, HOUR)
    assert desk.summary(NIOSH).time_left_minute == 0.0


def test_a_week_is_seven_times_24_hours_to_the_minute(desk: Desk) -> None:
    desk.listen(80.0, 60)
    assert desk.summary(WEEKLY).hours_week == pytest.approx(1 / 60)
    desk.time.go(7 * DAY - 120)
    assert desk.summary(WEEKLY).hours_week == pytest.approx(1 / 60)
    desk.time.go(120)
    assert desk.summary(WEEKLY).hours_week == 0.0


def test_the_days_of_the_week_add_up_and_the_one_that_is_cut_says_so(desk: Desk) -> None:
    for _ in range(8):
        desk.listen(80.0, 2 * HOUR)
        desk.pause(DAY - 2 * HOUR)
    desk.time.go(HOUR)
    summary = desk.summary(WEEKLY)
    assert [day.hours for day in summary.days] == [2.0] * 6 + [pytest.approx(1.0, abs=0.02)]
    assert [day.whole for day in summary.days] == [True] * 6 + [False]
    assert sum(day.share for day in summary.days) == pytest.approx(summary.share_week)


def test_the_doubt_is_the_largest_of_all_that_is_counted(desk: Desk) -> None:
    assert desk.summary(NIOSH).doubt_db == 3.0
    for second, doubt in enumerate((3.0, 6.0, 4.0)):
        desk.ledger.add_second(NOON + second, 80.0, math.nan, doubt)
    desk.time.go(3)
    desk.ledger.flush()
    desk.ledger.add_second(NOON + 3, 80.0, math.nan, 5.0)
    desk.ledger.flush()
    desk.time.go(1)
    assert desk.ledger.history(ME, 0).doubts_db.tolist() == [6.0]
    assert desk.summary(NIOSH).doubt_db == 6.0
    desk.time.go(9 * DAY)
    assert desk.summary(NIOSH).doubt_db == 3.0


def test_the_highest_peak_of_today(desk: Desk) -> None:
    desk.listen(80.0, 60, 110.0)
    desk.pause(DAY)
    desk.listen(80.0, 60, 104.0)
    summary = desk.summary(NIOSH)
    assert summary.peak_today_dbc == 104.0
    assert [day.peak_dbc for day in summary.days] == [104.0, 110.0]


# Local days


def test_midnight_begins_a_new_day_for_a_rule_per_day_only(tmp_path: Path) -> None:
    time = FakeTime(NOON + 11 * HOUR)
    desk = Desk(tmp_path, time)
    desk.listen(88.0, 2 * HOUR)
    assert desk.summary(NIOSH).share_today == pytest.approx(25.0)
    assert [day.hours for day in desk.summary(NIOSH).days] == [1.0, 1.0]
    assert desk.summary(WEEKLY).share == desk.summary(WEEKLY).share_week > desk.summary(WEEKLY).share_today
    desk.ledger.close()


def test_another_time_zone_keeps_each_minute_on_the_day_it_was_heard(tmp_path: Path) -> None:
    time = FakeTime(NOON + 10 * HOUR, offset=0)
    desk = Desk(tmp_path, time)
    desk.listen(88.0, HOUR)
    # On to the east: there it is past midnight already.
    time.offset = 9 * 60
    desk.listen(88.0, HOUR)
    assert desk.summary(NIOSH).share_today == pytest.approx(25.0)
    assert [day.hours for day in desk.summary(NIOSH).days] == [1.0, 1.0]
    # Back to the west, where it is still the day before: nothing heard "tomorrow" is lost to today.
    time.offset = -5 * 60
    desk.listen(88.0, HOUR)
    assert desk.summary(NIOSH).share_today == pytest.approx(75.0)
    assert desk.ledger.history(ME, 0).offsets.tolist() == [0] * 60 + [540] * 60 + [-300] * 60
    desk.ledger.close()


@pytest.fixture
def berlin(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    system_time.tzset()
    yield
    monkeypatch.undo()
    system_time.tzset()


def at(year: int, month: int, day: int, hour: int, minute: int = 0) -> float:
    return datetime(year, month, day, hour, minute, tzinfo=UTC).timestamp()


@pytest.mark.usefixtures("berlin")
@pytest.mark.parametrize(
    ("begin", "offsets"),
    [
        # Summer time begins on 29 March 2026 at 01:00 UTC and ends on 25 October 2026 at 01:00 UTC.
        (at(2026, 3, 29, 0, 30), [60] * 30 + [120] * 30),
        (at(2026, 10, 25, 0, 30), [120] * 30 + [60] * 30),
    ],
)
def test_summer_time_begins_and_ends_without_a_gap_or_a_minute_twice(
    tmp_path: Path, begin: float, offsets: list[int]
) -> None:
    time = FakeTime(begin)
    clock = SittingClock(lambda: time.wall, lambda: time.steady)
    ledger = ExposureRecord(open_store(tmp_path / "logbook.sqlite3"), clock)
    ledger.begin_sitting(ME)
    for second in range(HOUR):
        ledger.add_second(int(begin) + second, 88.0)
    time.go(HOUR)
    ledger.flush()
    history = ledger.history(ME, 0)
    assert history.offsets.tolist() == offsets
    assert history.gaps == ()
    assert len(set(history.days.tolist())) == 1
    now = clock.now()
    summary = summarise(ledger, ME, NIOSH, now - 1, clock.offset_minutes(now), count_gaps=False)
    assert summary.share_today == pytest.approx(25.0)
    ledger.close()


@pytest.mark.usefixtures("berlin")
def test_a_time_zone_that_is_changed_while_the_program_runs_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    assert utc_offset_minutes(at(2026, 1, 1, 12)) == 60
    monkeypatch.setenv("TZ", "UTC+3:30")
    assert utc_offset_minutes(at(2026, 1, 1, 12)) == -210
    assert utc_offset_minutes(1e30) == 0


def test_the_local_day_of_a_moment() -> None:
    midnight = NOON + 12 * HOUR
    assert local_day(midnight, 0) - local_day(midnight - 1, 0) == 1
    assert local_day(midnight - HOUR, 60) == local_day(midnight, 0)
    assert local_day(midnight, -60) == local_day(midnight - 1, 0)


def test_the_steady_clock_moves_on_and_the_sittings_clock_with_it() -> None:
    before, clock = steady_seconds(), SittingClock()
    assert clock.now() == pytest.approx(system_time.time(), abs=5.0)
    assert steady_seconds() >= before


def test_a_share_of_the_week_under_the_most_protective_rule(desk: Desk) -> None:
    desk.listen(75.0, 4 * HOUR)
    summary = desk.summary(SENSITIVE)
    assert summary.share == summary.share_week == pytest.approx(10.0)
    assert summary.twa_dba == pytest.approx(65.0)
