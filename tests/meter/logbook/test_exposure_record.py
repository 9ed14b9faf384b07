"""The ledger on a disk: what goes in comes out, once, for each person, through restarts, clocks and full disks."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from meter.logbook.exposure_record import SET_BACK_SECONDS, ExposureRecord
from meter.logbook.store import open_store
from meter.logbook.stored_levels import decode, encode, from_blob, share_per_second, to_blob
from tests.support.ledgers import (
    DAY,
    HOUR,
    ME,
    NIOSH,
    NOON,
    OSHA,
    SENSITIVE,
    WEEKLY,
    Desk,
    FakeTime,
    seconds_of,
)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    used = Desk(tmp_path)
    yield used
    used.ledger.close()


# Levels as they are stored


@pytest.mark.parametrize("level_dba", [0.01, 0.02, 35.678, 79.995, 140.0, 655.35])
def test_a_level_is_kept_to_a_hundredth(level_dba: float) -> None:
    codes = from_blob(to_blob(np.array([encode(level_dba)] + [0] * 59, dtype=np.uint16)))
    kept = decode(codes)
    assert kept[0] == pytest.approx(level_dba, abs=0.0051) or level_dba == 0.01
    assert np.isnan(kept[1:]).all()


def test_silence_is_not_the_same_as_nothing_known() -> None:
    assert encode(-math.inf) == encode(-20.0) == 1
    assert encode(math.nan) == 0
    assert encode(math.inf) == encode(1e38) == 65_535
    assert decode(np.array([1], dtype=np.uint16))[0] == -math.inf


def test_a_minute_of_another_size_is_refused() -> None:
    with pytest.raises(ValueError, match="60 levels"):
        from_blob(bytes(118))


@pytest.mark.parametrize(("rule", "level", "hours"), [(NIOSH, 85, 8), (NIOSH, 88, 4), (OSHA, 90, 8), (OSHA, 95, 4)])
def test_a_second_uses_up_its_part_of_the_permissible_time(rule, level: float, hours: float) -> None:
    # NIOSH 98-126, Table 1-1; 29 CFR 1910.95, Table G-16.
    assert share_per_second(rule)[encode(level)] * hours * 3600 == pytest.approx(100.0, rel=1e-9)


def test_below_the_threshold_and_in_silence_nothing_is_used_up() -> None:
    assert share_per_second(NIOSH)[encode(79.99)] == 0.0
    assert share_per_second(SENSITIVE)[encode(-math.inf)] == share_per_second(SENSITIVE)[encode(math.nan)] == 0.0


# Noting and reading


def test_every_second_comes_back_with_its_level(desk: Desk) -> None:
    rng = np.random.default_rng(1)
    levels = rng.uniform(40.0, 110.0, 500)
    for place, level in enumerate(levels):
        desk.ledger.add_second(NOON + place, float(level), 100.0 + place)
    desk.ledger.flush()
    heard = desk.heard()
    assert list(heard) == list(range(NOON, NOON + 500))
    np.testing.assert_allclose(list(heard.values()), levels, atol=0.0051)
    peaks = desk.ledger.history(ME, 0).peaks_dbc
    assert peaks.tolist() == [159.0 + 60 * minute for minute in range(8)] + [599.0]


def test_what_is_not_yet_written_is_already_counted(desk: Desk) -> None:
    desk.ledger.add_second(NOON, 80.0)
    desk.time.go(1)
    assert seconds_of(desk.ledger) == {NOON: 80.0}
    assert desk.heard() == {}


def test_a_second_without_a_level_or_a_sitting_is_nothing(desk: Desk) -> None:
    desk.ledger.add_second(NOON, math.nan)
    desk.ledger.end_sitting()
    desk.ledger.add_second(NOON + 1, 80.0)
    desk.ledger.flush()
    assert desk.heard() == {}
    assert desk.ledger.extent(ME) is None
    assert desk.ledger.persons() == ()


def test_a_second_holds_one_level_the_highest(desk: Desk) -> None:
    for level in (80.0, 85.0, 70.0):
        desk.ledger.add_second(NOON, level)
        desk.ledger.flush()
    assert desk.heard() == {NOON: 85.0}


def test_two_programs_at_once_never_count_twice(tmp_path: Path) -> None:
    time = FakeTime()
    first, second = Desk(tmp_path, time), Desk(tmp_path, time)
    for place in range(120):
        first.ledger.add_second(NOON + place, 80.0 if place % 2 else 90.0, 100.0)
        second.ledger.add_second(NOON + place, 85.0, 104.0)
        if place % 7 == 0:
            first.ledger.flush()
        if place % 5 == 0:
            second.ledger.flush()
    time.go(120)
    first.ledger.close()
    second.ledger.flush()
    assert second.heard() == {NOON + place: 85.0 if place % 2 else 90.0 for place in range(120)}
    assert second.ledger.history(ME, 0).peaks_dbc.tolist() == [104.0, 104.0]
    assert second.ledger.history(ME, 0).gaps == ()
    second.ledger.close()


def test_each_person_has_a_ledger(desk: Desk) -> None:
    desk.listen(80.0, 60)
    desk.ledger.begin_sitting("Ada")
    desk.listen(90.0, 30)
    assert desk.ledger.persons() == ("Ada", ME)
    assert set(seconds_of(desk.ledger, ME).values()) == {80.0}
    assert set(seconds_of(desk.ledger, "Ada").values()) == {90.0}
    assert desk.summary(person="Ada").hours_today == pytest.approx(30 / HOUR)
    kept = desk.ledger.extent(ME)
    assert kept is not None
    assert (kept.minutes, kept.first, kept.last) == (1, NOON // 60, NOON // 60)


def test_a_restart_adds_to_the_same_day(tmp_path: Path) -> None:
    time = FakeTime()
    for _ in range(4):
        desk = Desk(tmp_path, time)
        desk.listen(88.0, HOUR)
        desk.ledger.close()
        time.go(600)
    again = Desk(tmp_path, time)
    assert again.summary(NIOSH).share_today == pytest.approx(100.0, rel=1e-9)
    again.ledger.close()


# Clocks


def test_a_wall_clock_that_jumps_does_not_tear_a_sitting(desk: Desk) -> None:
    desk.listen(80.0, 100)
    desk.time.wall += 5 * DAY
    desk.listen(80.0, 100)
    desk.time.wall -= 9 * DAY
    desk.listen(80.0, 100)
    assert list(seconds_of(desk.ledger)) == list(range(NOON, NOON + 300))
    assert desk.ledger.history(ME, 0).gaps == ()


def test_a_clock_set_back_a_day_loses_nothing_and_mixes_nothing(tmp_path: Path) -> None:
    time = FakeTime(boot="one run of the machine")
    desk = Desk(tmp_path, time)
    desk.listen(88.0, HOUR)
    desk.ledger.close()
    time.go(60)
    time.wall -= DAY
    back = Desk(tmp_path, time)
    back.listen(88.0, HOUR)
    # Both hours lie where their own clock put them, and both count today: 2 of the 4 hours that 88 dB may last.
    assert len(back.ledger.history(ME, 0).minutes) == 60 + 60
    assert back.summary(NIOSH).share_today == pytest.approx(50.0)
    assert back.summary(WEEKLY).share_week == pytest.approx(100 * 2 / 40 * 10**0.8)
    # On the next day of the clock as it is now, none of it is today's, all of it the week's.
    back.time.go(DAY)
    assert math.isnan(back.summary(NIOSH).share_today)
    assert back.summary(NIOSH).share_week == pytest.approx(50.0 / 5)
    # A week after the clock was set back it is over.
    back.time.go(6 * DAY + 2 * HOUR)
    assert math.isnan(back.summary(NIOSH).share_week)
    back.ledger.close()


WRONG_BY = [-8 * DAY, -30 * DAY, -NOON, 8 * DAY, 365 * DAY]


@pytest.mark.parametrize("boots", [("one", "one", "one"), ("one", "two", "three"), ("", "", "")], ids=" ".join)
@pytest.mark.parametrize("wrong_by", WRONG_BY)
def test_a_clock_wrong_for_ten_seconds_loses_nothing_of_the_week(
    tmp_path: Path, wrong_by: int, boots: tuple[str, str, str]
) -> None:
    time = FakeTime(boot=boots[0])
    before = Desk(tmp_path, time)
    before.listen(85.0, 2 * HOUR)
    before.ledger.close()
    time.go(HOUR)
    time.boot = boots[1]
    time.wall += wrong_by
    wrong = Desk(tmp_path, time)
    wrong.listen(85.0, 10)
    if wrong_by < 0 or boots[0] == boots[1] != "":  # otherwise so many days may have passed
        assert wrong.summary().hours_week == pytest.approx(2.0 + 10 / HOUR)
    wrong.ledger.close()
    time.boot = boots[2]
    time.wall -= wrong_by
    time.go(HOUR)
    reader = Desk(tmp_path, time, begin=False)
    assert reader.summary().hours_week == pytest.approx(2.0 + 10 / HOUR), "before anything is heard again"
    reader.ledger.close()
    right = Desk(tmp_path, time)
    right.listen(85.0, 60)
    assert right.summary().hours_week == pytest.approx(2.0 + 70 / HOUR)
    assert right.summary().hours_today == pytest.approx(2.0 + 70 / HOUR)
    time.go(2 * DAY)
    assert right.summary().hours_week == pytest.approx(2.0 + 70 / HOUR)
    assert math.isnan(right.summary().share_today)
    right.ledger.close()


def test_a_clock_wrong_within_one_run_of_the_program_loses_nothing_either(tmp_path: Path) -> None:
    time = FakeTime(boot="one")
    desk = Desk(tmp_path, time)
    desk.listen(85.0, 2 * HOUR)
    for wrong_by in (-9 * DAY, 9 * DAY):
        time.wall += wrong_by
        desk.pause(60)
        desk.listen(85.0, 3 * HOUR)
    assert desk.summary().hours_week == pytest.approx(8.0)
    assert desk.summary().hours_today == pytest.approx(8.0)
    desk.ledger.close()


@pytest.mark.parametrize("back", [1, 29, 300])
def test_a_clock_set_back_a_little_loses_no_second(tmp_path: Path, back: int) -> None:
    time = FakeTime()
    for _ in range(2):
        desk = Desk(tmp_path, time)
        desk.listen(80.0, 400)
        desk.ledger.close()
        time.wall -= back
    reader = Desk(tmp_path, time, begin=False)
    assert list(seconds_of(reader.ledger)) == list(range(NOON, NOON + 800))
    assert reader.summary().hours_week == pytest.approx(800 / HOUR)
    assert reader.ledger.history(ME, 0).gaps == ()
    reader.ledger.close()


def test_a_clock_set_back_is_told_until_it_is_right(tmp_path: Path) -> None:
    time = FakeTime()
    desk = Desk(tmp_path, time)
    desk.listen(80.0, 60)
    assert desk.ledger.sentence == ""
    time.wall -= 8 * DAY
    desk.pause(1)
    assert "The clock of this computer was set back." in desk.ledger.sentence
    desk.listen(80.0, 60)
    time.wall += 8 * DAY
    desk.pause(1)
    assert desk.ledger.sentence == ""
    desk.ledger.close()


def test_a_clock_that_was_wrong_once_does_not_weigh_on_every_day_after(tmp_path: Path) -> None:
    wrong = FakeTime(NOON + 365 * DAY)
    desk = Desk(tmp_path, wrong)
    desk.listen(88.0, HOUR)
    desk.ledger.close()
    right = FakeTime(NOON)
    again = Desk(tmp_path, right)
    again.listen(70.0, 60)
    assert again.summary(NIOSH).share_today == pytest.approx(25.0)
    right.go(8 * DAY)
    again.listen(70.0, 60)
    assert again.summary(NIOSH).share_week == 0.0
    again.ledger.close()


def test_a_reader_on_a_clock_set_back_counts_the_future_as_now(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.listen(88.0, HOUR)
    desk.ledger.close()
    reader = Desk(tmp_path, FakeTime(NOON - 20 * DAY), begin=False)
    assert reader.summary(NIOSH).share_today == pytest.approx(25.0)
    reader.ledger.close()


def test_clocks_that_a_server_keeps_right_begin_no_era(tmp_path: Path) -> None:
    time = FakeTime()
    for _ in range(3):
        desk = Desk(tmp_path, time)
        desk.listen(80.0, 100)
        desk.ledger.close()
        time.wall -= SET_BACK_SECONDS
    reader = open_store(desk.path).connection
    assert reader.execute("SELECT * FROM era").fetchall() == []
    reader.close()


def test_a_program_that_runs_on_follows_the_one_that_found_the_clock_set_back(tmp_path: Path) -> None:
    time = FakeTime()
    old = Desk(tmp_path, time)
    old.listen(80.0, 100)
    time.wall -= DAY
    new = Desk(tmp_path, time)
    new.listen(90.0, 10)
    assert old.ledger.flush()
    for second in range(int(old.clock.now()), int(old.clock.now()) + 10):
        old.ledger.add_second(second, 85.0)
        new.ledger.add_second(second, 90.0)
    time.go(10)
    old.ledger.flush()
    new.ledger.flush()
    heard = sorted(new.heard())
    assert len(heard) == 120, "the ten seconds of both at once are one stretch"
    assert heard[-100:] == list(range(NOON, NOON + 100))
    old.ledger.close()
    new.ledger.close()


# A disk that does not take it


def fill_disk(desk: Desk) -> None:
    """The file may grow no more, as on a full disk (SQLITE_FULL)."""
    pages = desk.ledger._connection.execute("PRAGMA page_count").fetchone()[0]
    desk.ledger._connection.execute(f"PRAGMA max_page_count = {pages}")


def test_on_a_full_disk_counting_goes_on_and_is_written_once_there_is_room(desk: Desk) -> None:
    desk.listen(80.0, 60)
    fill_disk(desk)
    for _ in range(200):
        desk.listen(80.0, 60)
    assert "full" in desk.ledger.sentence
    assert "counted in memory" in desk.ledger.sentence
    assert desk.ledger.sentence.count(". ") == 1
    assert desk.summary(NIOSH).hours_today == pytest.approx(201 / 60)
    assert len(desk.heard()) < 201 * 60
    desk.ledger._connection.execute("PRAGMA max_page_count = 1000000")
    assert desk.ledger.flush()
    assert desk.ledger.sentence == ""
    assert len(desk.heard()) == 201 * 60


def test_a_file_that_somebody_locks_is_waited_for_and_tried_again(desk: Desk) -> None:
    desk.listen(80.0, 10)
    other = sqlite3.connect(desk.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    desk.ledger._connection.execute("PRAGMA busy_timeout = 1")
    desk.listen(80.0, 10)
    assert "locked" in desk.ledger.sentence
    assert len(seconds_of(desk.ledger)) == 20
    other.execute("COMMIT")
    other.close()
    desk.listen(80.0, 10)
    assert desk.ledger.sentence == ""
    assert len(desk.heard()) == 30


def test_a_file_that_is_damaged_under_way_stops_nothing(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.listen(80.0, 600)
    desk.ledger._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    desk.path.write_bytes(b"\xff" * desk.path.stat().st_size)
    desk.ledger._connection.execute("PRAGMA cache_size = 0")
    desk.listen(80.0, 60)
    assert "cannot be written" in desk.ledger.sentence
    assert desk.summary(NIOSH).hours_today == pytest.approx(60 / HOUR)
    desk.ledger.note_shown(ME, 1, 2, 3)
    assert desk.ledger.notices_shown(ME, 1) == {}
    assert desk.ledger.extent(ME) is None
    assert desk.ledger.persons() == (ME,)
    desk.ledger.begin_sitting(ME)
    desk.killed()


# Forgetting


def test_forgetting_deletes_all_of_one_person_from_the_file(desk: Desk) -> None:
    desk.listen(80.0, 600)
    desk.ledger.note_shown(ME, 1, 2, 3)
    desk.ledger.begin_sitting("Ada Unforgotten")
    desk.listen(90.0, 60)
    desk.ledger.forget(ME)
    assert seconds_of(desk.ledger, ME) == {}
    assert desk.ledger.notices_shown(ME, 1) == {}
    assert desk.ledger.extent(ME) is None
    assert len(seconds_of(desk.ledger, "Ada Unforgotten")) == 60
    desk.ledger.forget("Ada Unforgotten")
    for path in desk.path.parent.iterdir():
        assert b"Ada Unforgotten" not in path.read_bytes(), "deleted, but still to be read on the disk"


def test_what_is_heard_after_forgetting_counts_anew_and_shows_no_gap(tmp_path: Path) -> None:
    time = FakeTime()
    desk, other = Desk(tmp_path, time), Desk(tmp_path, time, begin=False)
    desk.listen(80.0, 600)
    other.ledger.forget(ME)
    desk.listen(80.0, 60)
    assert list(desk.heard()) == list(range(NOON + 600, NOON + 660))
    assert desk.ledger.history(ME, 0).gaps == ()
    assert other.ledger.history(ME, 0).gaps == ()
    desk.ledger.close()
    other.ledger.close()


def test_under_another_rule_everything_is_reckoned_anew(desk: Desk) -> None:
    desk.listen(82.0, 4 * HOUR)
    assert desk.summary(NIOSH).share_today == pytest.approx(25.0)
    assert desk.summary(OSHA).share_today == pytest.approx(100 * 4 / 24.251, rel=1e-3)
    assert desk.summary(SENSITIVE).share_week == pytest.approx(100 * 4 / 40 * 10**0.7, rel=1e-9)


def test_a_ledger_in_memory_needs_no_disk() -> None:
    time = FakeTime()
    ledger = ExposureRecord(open_store(None), time.clock())
    ledger.begin_sitting(ME)
    ledger.add_second(NOON, 80.0)
    time.go(1)
    assert ledger.flush()
    assert seconds_of(ledger) == {NOON: 80.0}
    ledger.close()


# A file that goes away


@pytest.mark.parametrize("gone", ["deleted", "moved", "with its folder"])
def test_a_logbook_deleted_while_open_is_written_again_and_said(tmp_path: Path, gone: str) -> None:
    desk = Desk(tmp_path)
    desk.listen(80.0, 100)
    if gone == "moved":
        desk.path.rename(desk.path.with_name("elsewhere"))
    else:
        for each in list(desk.path.parent.iterdir()):
            each.unlink()
    if gone == "with its folder":
        desk.path.parent.rmdir()
    desk.listen(80.0, 100)
    assert list(desk.heard()) == list(range(NOON, NOON + 200))
    assert f"The logbook {desk.path} was deleted or moved while it was in use" in desk.ledger.sentence
    assert "exposure --forget" in desk.ledger.sentence
    desk.listen(80.0, 100)
    desk.ledger.close()
    assert list(desk.heard()) == list(range(NOON, NOON + 300))
    again = Desk(tmp_path, desk.time, begin=False)
    assert again.ledger.history(ME, 0).gaps == (), "one sitting, not two"
    assert desk.path.stat().st_mode & 0o077 == 0
    again.ledger.close()


def test_a_logbook_replaced_while_open_keeps_what_both_hold(tmp_path: Path) -> None:
    time = FakeTime()
    other = Desk(tmp_path / "other", time)
    other.listen(90.0, 50)
    other.ledger.close()
    time.go(-50)
    desk = Desk(tmp_path, time)
    desk.listen(80.0, 100)
    other.path.replace(desk.path)
    desk.listen(80.0, 10)
    heard = desk.heard()
    assert list(heard) == list(range(NOON, NOON + 110))
    assert heard[NOON] == 90.0, "the higher of both"
    desk.ledger.close()


def test_an_open_logbook_that_stays_says_nothing(desk: Desk) -> None:
    for _ in range(5):
        desk.listen(80.0, 10)
    assert desk.ledger.sentence == ""
