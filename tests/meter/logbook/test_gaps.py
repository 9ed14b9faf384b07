"""Gaps: seconds of a sitting of which nothing is known, shown, and counted at the level before only by choice."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from meter.logbook.history import LEAST_GAP_SECONDS, MOST_COUNTED_SECONDS, Gap
from tests.support.ledgers import DAY, HOUR, ME, NIOSH, NOON, WEEKLY, Desk, FakeTime


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    used = Desk(tmp_path)
    yield used
    used.ledger.close()


def gaps(desk: Desk, since: float = NOON - DAY) -> list[tuple[int, int | None]]:
    """Start and end of each gap, in seconds after noon."""
    found = desk.ledger.history(ME, since).gaps
    return [(gap.start - NOON, None if gap.end is None else gap.end - NOON) for gap in found]


def only(desk: Desk) -> Gap:
    (gap,) = desk.ledger.history(ME, NOON - DAY).gaps
    return gap


def restarted(desk: Desk, after: float) -> Desk:
    """Killed, and started again a while later."""
    desk.killed()
    desk.time.go(after)
    return Desk(desk.path.parents[1], desk.time)


def test_seconds_missing_within_a_sitting_are_a_gap_with_the_level_before(desk: Desk) -> None:
    desk.listen(70.0, 300)
    desk.listen(80.0, 60)
    desk.time.go(120)
    desk.listen(85.0, 60)
    gap = only(desk)
    assert (gap.start, gap.end) == (NOON + 360, NOON + 480)
    assert gap.level_dba == pytest.approx(80.0)
    assert gap.counted_seconds == 120


def test_the_level_before_is_the_energy_average_of_a_minute(desk: Desk) -> None:
    desk.listen(90.0, 300)
    desk.listen(90.0, 10)
    desk.listen(70.0, 50)
    desk.time.go(120)
    desk.listen(60.0, 1)
    # 10 min at 90 and 50 min at 70 dB are 82.43 dB; the same in seconds.
    assert only(desk).level_dba == pytest.approx(82.43, abs=0.01)


@pytest.mark.parametrize("seconds", [1, LEAST_GAP_SECONDS - 1, LEAST_GAP_SECONDS])
def test_a_hole_too_short_for_a_line_is_none(desk: Desk, seconds: int) -> None:
    desk.listen(80.0, 60)
    desk.time.go(seconds)
    desk.listen(80.0, 60)
    assert gaps(desk) == ([(60, 60 + seconds)] if seconds >= LEAST_GAP_SECONDS else [])


def test_an_end_in_good_order_leaves_no_gap(desk: Desk) -> None:
    desk.listen(80.0, 60)
    desk.pause(HOUR)
    desk.listen(80.0, 60)
    assert gaps(desk) == []


def test_quiet_is_heard_and_no_gap(desk: Desk) -> None:
    desk.listen(80.0, 60)
    desk.listen(-math.inf, HOUR)
    desk.listen(80.0, 60)
    assert gaps(desk) == []


def test_a_program_that_was_killed_leaves_a_gap_until_the_next_second_heard(desk: Desk) -> None:
    desk.listen(80.0, 60)
    again = restarted(desk, 200)
    again.listen(80.0, 60)
    assert gaps(again) == [(60, 260)]
    again.ledger.close()


def test_until_something_is_heard_again_the_end_is_not_known(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.listen(80.0, 60)
    reader = Desk(tmp_path, desk.time, begin=False)
    desk.time.go(20)
    assert gaps(reader) == [], "perhaps it is going on"
    desk.time.go(20)
    assert gaps(reader) == [(60, None)]
    desk.killed()
    reader.ledger.close()


def test_a_program_that_waits_for_its_device_has_not_ended(desk: Desk) -> None:
    desk.listen(80.0, 60)
    desk.time.go(HOUR)
    assert gaps(desk) == []


def test_what_one_of_two_programs_heard_is_no_gap_of_the_other(tmp_path: Path) -> None:
    time = FakeTime()
    dies, lives = Desk(tmp_path, time), Desk(tmp_path, time)
    for second in range(NOON, NOON + 600):
        if second < NOON + 200:
            dies.ledger.add_second(second, 80.0)
        if not NOON + 400 <= second < NOON + 460:
            lives.ledger.add_second(second, 75.0)
    time.go(600)
    dies.ledger.flush()
    dies.killed()
    lives.ledger.flush()
    assert gaps(lives) == [(400, 460)]
    lives.ledger.close()


def test_a_gap_that_two_programs_tell_of_is_one(tmp_path: Path) -> None:
    time = FakeTime()
    both = Desk(tmp_path, time), Desk(tmp_path, time)
    for desk in both:
        for second in [*range(NOON, NOON + 100), *range(NOON + 300, NOON + 400)]:
            desk.ledger.add_second(second, 80.0)
        desk.ledger.flush()
    time.go(400)
    assert gaps(both[0]) == [(100, 300)]
    for desk in both:
        desk.ledger.close()


def test_gaps_are_counted_only_by_choice(desk: Desk) -> None:
    desk.listen(85.0, 4 * HOUR)
    desk.time.go(0.5 * HOUR)
    desk.listen(85.0, HOUR)
    assert desk.summary(NIOSH).share_today == pytest.approx(100 * 5 / 8)
    assert desk.summary(NIOSH, count_gaps=True).share_today == pytest.approx(100 * 5.5 / 8)
    assert desk.summary(WEEKLY, count_gaps=True).share_week == pytest.approx(100 * 5.5 / 40 * 10**0.5)
    assert len(desk.summary(NIOSH).gaps) == 1, "shown all the same"


def test_a_long_gap_is_counted_for_an_hour_at_most(desk: Desk) -> None:
    desk.listen(85.0, HOUR)
    desk.time.go(5 * HOUR)
    desk.listen(70.0, 60)
    assert only(desk).counted_seconds == MOST_COUNTED_SECONDS
    assert desk.summary(NIOSH, count_gaps=True).share_today == pytest.approx(100 * 2 / 8)


def test_a_gap_of_yesterday_is_the_weeks_and_not_todays(desk: Desk) -> None:
    desk.listen(85.0, HOUR)
    desk.time.go(0.5 * HOUR)
    desk.listen(85.0, 60)
    desk.pause(DAY)
    desk.listen(85.0, HOUR)
    summary = desk.summary(NIOSH, count_gaps=True)
    assert summary.share_today == pytest.approx(100 / 8)
    assert summary.share_week == pytest.approx(100 * (2.5 + 1 / 60) / 8 / 5)


def test_what_lies_before_the_stretch_that_is_asked_for_is_no_gap(desk: Desk) -> None:
    desk.listen(80.0, HOUR)
    assert gaps(desk, since=NOON + 1800) == []


def test_a_gap_of_an_older_era_keeps_its_place_and_no_invented_length(tmp_path: Path) -> None:
    time = FakeTime()
    desk = Desk(tmp_path, time)
    desk.listen(80.0, 600)
    desk.time.go(60)
    desk.listen(80.0, 600)
    desk.killed()
    time.wall -= DAY
    back = Desk(tmp_path, time)
    back.listen(80.0, 60)
    found = back.ledger.history(ME, NOON - 2 * DAY).gaps
    assert [(gap.start - NOON, gap.counted_seconds) for gap in found] == [(600, 60), (1260, 0)]
    assert {gap.day for gap in found} == {back.ledger.history(ME, NOON - 2 * DAY).days[-1]}
    back.ledger.close()
