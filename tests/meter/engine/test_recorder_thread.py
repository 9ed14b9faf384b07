"""One thread writes both records: a failure, or a disk that does not answer, stops only what it concerns."""

from __future__ import annotations

import math
import threading
from pathlib import Path

import pytest

from meter.engine import recorder_thread as recorder_thread
from meter.engine.recorder_thread import Heard, RecorderThread
from meter.logbook.day_record import Event
from meter.logbook.day_writer import DayWriter
from meter.logbook.exposure_recorder import Context, ExposureRecorder
from meter.logbook.store import Store, open_store
from tests.meter.logbook.test_day_writer import SONG, row, seconds_in
from tests.support.day_records import utc_day
from tests.support.ledgers import ME, NIOSH, NOON, Desk, FakeTime, seconds_of


class Broken(DayWriter):
    def update(self) -> None:
        raise RuntimeError("no such luck")


def no_logbook() -> Store:
    raise RuntimeError("no such luck")


def post_both(thread: RecorderThread, seconds: int) -> None:
    thread.post(Context(ME, NIOSH))
    for second in range(seconds):
        thread.post(Heard(NOON + second, 80.0, math.nan))
        thread.post(row(second))


def end(thread: RecorderThread) -> None:
    """Close, however busy the machine is."""
    running = thread._thread
    thread.close()
    assert running is not None
    running.join(30.0)
    assert not running.is_alive()


def test_the_exposure_record_goes_on_when_the_day_record_fails(tmp_path: Path) -> None:
    desk = Desk(tmp_path, FakeTime(NOON + 90), begin=False)
    ledger = ExposureRecorder(lambda: open_store(desk.path), FakeTime().clock())
    thread = RecorderThread(ledger, Broken(tmp_path / "record", FakeTime().clock(), utc_day))
    post_both(thread, 20)
    end(thread)
    assert thread.day_sentence == (
        "The day record stopped (RuntimeError: no such luck); nothing goes into it until the next start."
    )
    assert thread.sentence == ""
    assert len(seconds_of(desk.ledger)) == 20
    desk.ledger.close()


def test_the_day_record_goes_on_when_the_exposure_record_fails(tmp_path: Path) -> None:
    writer = DayWriter(tmp_path / "record", FakeTime().clock(), utc_day)
    thread = RecorderThread(ExposureRecorder(no_logbook, FakeTime().clock()), writer)
    post_both(thread, 20)
    end(thread)
    assert thread.sentence.startswith("The exposure record stopped (RuntimeError: no such luck)")
    assert thread.day_sentence == ""
    (path,) = (tmp_path / "record" / "song").glob("*.sqlite3")
    assert seconds_in(path) == list(range(20))


def test_entries_that_a_disk_is_too_slow_for_are_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder_thread, "QUEUE_SECONDS", 5)
    monkeypatch.setattr(recorder_thread, "CLOSE_SECONDS", 0.01)
    goes_on = threading.Event()

    class Stuck(DayWriter):
        def update(self) -> None:
            goes_on.wait()
            super().update()

    writer = Stuck(tmp_path / "record", FakeTime().clock(), utc_day)
    thread = RecorderThread(ExposureRecorder(no_logbook, FakeTime().clock()), writer)
    accepted = [thread.post(Event(NOON + number, "mark", "Mark.", "song", segment=SONG)) for number in range(60)]
    assert thread.dropped_of_day == accepted.count(False) >= 40
    assert f"{thread.dropped_of_day} entries of the day record were dropped" in thread.day_sentence
    goes_on.set()
    end(thread)
