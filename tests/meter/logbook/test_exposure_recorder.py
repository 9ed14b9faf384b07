"""The bookkeeper: opens the logbook late, writes in time, and says how things stand."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from dsp.exposure.exposure import Rule
from meter.logbook.breaks import HALF_USED, MOST_USED, NOTHING, OFFER
from meter.logbook.exposure_recorder import ACCOUNT_SECONDS, FLUSH_SECONDS, Account, Context, ExposureRecorder
from meter.logbook.store import open_store
from tests.support.ledgers import DAY, HOUR, ME, NIOSH, NOON, WEEKLY, Desk, FakeTime

NO_PEAK = math.nan


class Program:
    """A bookkeeper as the engine uses it, on clocks of the test."""

    def __init__(self, folder: Path, time: FakeTime | None = None, rule: Rule = NIOSH, person: str = ME) -> None:
        self.path = folder / "data" / "logbook.sqlite3"
        self.time = time or FakeTime()
        self.clock = self.time.clock()
        self.recorder = ExposureRecorder(partial(open_store, self.path), self.clock)
        self.context = Context(person, rule)
        self.recorder.set_context(self.context)

    def listen(self, level_dba: float, seconds: int, *, every: int = 60) -> Account:
        """Sound of one level, tended every few seconds, and the account after it."""
        for place in range(seconds):
            self.recorder.add_second(math.floor(self.clock.now()), level_dba, NO_PEAK, 3.0)
            self.time.go(1)
            if place % every == every - 1:
                self.recorder.update()
        self.time.steady += ACCOUNT_SECONDS  # the account is due
        self.time.wall += ACCOUNT_SECONDS
        self.recorder.update()
        assert self.recorder.account is not None
        return self.recorder.account

    def on_disk(self) -> int:
        reader = Desk(self.path.parents[1], self.time, begin=False)
        count = int(reader.ledger.history(ME, 0).heard_seconds.sum())
        reader.ledger.close()
        return count


@pytest.fixture
def program(tmp_path: Path) -> Iterator[Program]:
    used = Program(tmp_path)
    yield used
    used.recorder.close()


def test_no_file_is_made_before_there_is_something_to_note(program: Program) -> None:
    program.recorder.update()
    assert not program.path.parent.exists()
    assert program.recorder.account is None
    assert program.recorder.sentence == ""
    program.recorder.add_second(NOON, 80.0, NO_PEAK, 3.0)
    assert program.path.exists()


def test_nothing_is_noted_before_it_is_known_for_whom(tmp_path: Path) -> None:
    recorder = ExposureRecorder(partial(open_store, tmp_path / "logbook.sqlite3"), FakeTime().clock())
    recorder.add_second(NOON, 80.0, NO_PEAK, 3.0)
    recorder.end_sitting()
    recorder.close()
    assert not (tmp_path / "logbook.sqlite3").exists()


def test_what_was_heard_is_on_disk_within_two_seconds(program: Program) -> None:
    for _ in range(60):
        program.recorder.add_second(math.floor(program.clock.now()), 80.0, NO_PEAK, 3.0)
        program.time.go(1)
        program.recorder.update()
        heard = math.floor(program.clock.now()) - NOON
        assert heard - program.on_disk() <= FLUSH_SECONDS


def test_the_account_holds_what_was_heard_before_and_now(tmp_path: Path) -> None:
    time = FakeTime()
    first = Program(tmp_path, time)
    first.listen(88.0, HOUR)
    first.recorder.close()
    second = Program(tmp_path, time)
    account = second.listen(88.0, HOUR)
    assert account.share == account.share_today == pytest.approx(50.0)
    assert account.share_week == pytest.approx(10.0)
    assert account.context == second.context
    second.recorder.close()


def test_another_rule_and_another_person_are_answered_at_once(program: Program) -> None:
    program.listen(80.0, 600)
    program.recorder.set_context(Context(ME, WEEKLY))
    program.recorder.update()
    assert program.recorder.account is not None
    assert program.recorder.account.context.rule is WEEKLY
    assert program.recorder.account.share == pytest.approx(100 / 240)
    program.recorder.set_context(Context("Ada", WEEKLY))
    program.recorder.update()
    assert program.recorder.account is None, "of Ada nothing is known yet"
    assert program.listen(80.0, 60).share == pytest.approx(100 / 2400)


def test_gaps_are_counted_when_asked(program: Program) -> None:
    program.listen(85.0, HOUR)
    program.time.go(HOUR / 2 - ACCOUNT_SECONDS)
    assert program.listen(85.0, HOUR).share == pytest.approx(25.0)
    program.recorder.set_context(Context(ME, NIOSH, count_gaps=True))
    program.recorder.update()
    assert program.recorder.account is not None
    assert program.recorder.account.share == pytest.approx(100 * 2.5 / 8, rel=1e-3)


def test_a_rest_is_no_account_and_no_gap(program: Program) -> None:
    program.listen(80.0, 60)
    program.recorder.end_sitting()
    program.time.go(HOUR)
    program.recorder.update()
    assert program.recorder.account is None
    program.listen(80.0, 60)
    reader = Desk(program.path.parents[1], program.time, begin=False)
    assert reader.ledger.history(ME, 0).gaps == ()
    reader.ledger.close()


# Breaks and creep over a restart


def test_time_since_the_break_and_creep_go_on_after_a_restart(tmp_path: Path) -> None:
    time = FakeTime()
    first = Program(tmp_path, time)
    first.listen(72.0, 3000)
    first.recorder.close()
    second = Program(tmp_path, time)
    account = second.listen(75.0, 900)
    assert account.since_break == pytest.approx(3910 / 60)
    assert account.creep == pytest.approx(3.0)
    assert account.notice == OFFER
    second.recorder.close()


def test_after_a_break_the_count_begins_anew(program: Program) -> None:
    program.listen(75.0, 3000)
    assert program.listen(-math.inf, 700).since_break == 0.0
    assert program.listen(75.0, 300).since_break == pytest.approx(305 / 60)


# What is said, once a day


def notices(program: Program, level_dba: float, minutes: int) -> list[int]:
    """The notice after every minute, but for offers of a break, as often as it changes."""
    found: list[int] = []
    for _ in range(minutes):
        now = program.listen(level_dba, 55).notice
        if now != OFFER and (not found or found[-1] != now):
            found.append(now)
    return found


def test_half_and_four_fifths_are_said_once_each_and_not_again_after_a_restart(tmp_path: Path) -> None:
    time = FakeTime()
    program = Program(tmp_path, time)
    # 91 dB(A) may last two hours.
    assert notices(program, 91.0, 90) == [NOTHING, HALF_USED, NOTHING]
    program.recorder.close()
    again = Program(tmp_path, time)
    assert notices(again, 91.0, 60) == [NOTHING, MOST_USED, NOTHING]
    assert notices(again, 91.0, 60) == [NOTHING]
    again.recorder.close()


def test_a_leap_over_both_says_the_higher_alone(program: Program) -> None:
    assert program.listen(105.0, 260).notice == MOST_USED
    assert notices(program, 60.0, 20) == [MOST_USED, NOTHING]


def test_the_next_day_it_may_be_said_again(tmp_path: Path) -> None:
    time = FakeTime()
    for _ in range(2):
        program = Program(tmp_path, time)
        assert HALF_USED in notices(program, 91.0, 80)
        program.recorder.close()
        time.go(DAY - 80 * 60)


def test_a_logbook_that_cannot_be_opened_is_said_and_counted_in_memory(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("in the way")
    program = Program(tmp_path)
    account = program.listen(88.0, HOUR)
    assert account.share == pytest.approx(25.0)
    assert "cannot be written" in program.recorder.sentence
    program.recorder.close()
