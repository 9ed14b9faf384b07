"""Events of the window reach the day record, whatever ends in between."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

from meter.audio.source import SourceRequest
from meter.engine import unrecorded_events as unrecorded_events
from meter.engine.messages import EventsRecorded, RecordEvent
from meter.engine.process import EngineOrder
from meter.engine.supervisor import Supervisor
from meter.engine.unrecorded_events import MOST_UNDERWAY, UnrecordedEvents
from meter.logbook.day_record import FOLDER_NAME, day_path, local_day
from tests.support.day_records import events_in, figures_in

PATIENCE_SECONDS = 60.0
MOST_LOST_SECONDS = 5


def event(number: int) -> RecordEvent:
    return RecordEvent("note", f"note {number}", float(number))


def words(events: list[RecordEvent]) -> list[str]:
    return [each.words for each in events]


def test_each_event_is_sent_once_to_an_engine_and_again_to_the_next() -> None:
    kept = UnrecordedEvents()
    for number in range(3):
        kept.add(event(number))
    assert words(kept.due()) == ["note 0", "note 1", "note 2"]
    assert kept.due() == []
    kept.follow(EventsRecorded(2))
    kept.add(event(3))
    assert words(kept.due()) == ["note 3"]
    kept.restart()
    assert words(kept.due()) == ["note 2", "note 3"]


def test_an_engine_that_does_not_read_is_not_sent_more_than_its_pipe_holds() -> None:
    kept = UnrecordedEvents()
    for number in range(200):
        kept.add(event(number))
    assert len(kept.due()) == MOST_UNDERWAY
    assert kept.due() == []
    kept.follow(EventsRecorded(10))
    assert words(kept.due()) == [f"note {number}" for number in range(MOST_UNDERWAY, MOST_UNDERWAY + 10)]


def test_without_an_engine_the_oldest_are_dropped_and_counted() -> None:
    kept = UnrecordedEvents()
    for number in range(unrecorded_events.MOST_WAITING + 7):
        kept.add(event(number))
    assert kept.dropped == 7
    assert words(kept.due())[0] == "note 7"


def until(done: Callable[[], bool], supervisor: Supervisor) -> None:
    ends = time.monotonic() + PATIENCE_SECONDS
    while not done():
        assert time.monotonic() < ends, supervisor.take()
        supervisor.poll()
        supervisor.take()
        time.sleep(0.02)


def test_a_killed_engine_loses_no_event_and_little_sound_and_so_does_a_killed_window(tmp_path: Path) -> None:
    tone = {"events": [{"do": "tone", "seconds": 300.0}], "paced": True}
    logbook = tmp_path / "data" / "logbook.sqlite3"
    began = time.time()
    supervisor = Supervisor(EngineOrder(SourceRequest("script", "tone", tone), logbook=str(logbook), job="song"))
    path = day_path("song", local_day(began), logbook.parent / FOLDER_NAME)

    def rows() -> list[int]:
        return [at for at, _ in figures_in(path, "loudness.short_term")] if path.exists() else []

    try:
        until(lambda: path.exists() and len(rows()) >= 2, supervisor)
        pid = supervisor.engine_pid
        assert pid is not None
        os.kill(pid, signal.SIGSTOP)
        for number in range(3):
            supervisor.record(event(number + int(began)))
        os.kill(pid, signal.SIGKILL)
        killed = time.time()
        before = rows()
        assert before[-1] >= int(killed) - MOST_LOST_SECONDS
        until(lambda: len(rows()) >= len(before) + 2, supervisor)
        notes = [said for _at, kind, said in events_in(path) if kind == "note"]
        assert notes == [f"note {number + int(began)}" for number in range(3)]
        assert supervisor._pipe is not None
        assert supervisor._process is not None
        process, supervisor._pipe, pipe = supervisor._process, None, supervisor._pipe
        pipe.close()  # all that an engine notices of a window that was killed
        process.join(PATIENCE_SECONDS)
        assert rows()[-1] >= int(time.time()) - MOST_LOST_SECONDS
        found = rows()
        assert len(found) == len(set(found))
    finally:
        supervisor.close()
