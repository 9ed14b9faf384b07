"""While one engine is replaced by the next nothing that the user did is lost, and the record says what happened."""

from __future__ import annotations

import math
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from meter.audio.script import Tone
from meter.audio.source import SourceRequest
from meter.engine.messages import EventsRecorded, MarkTaken
from meter.engine.process import EngineOrder
from meter.engine.supervisor import Supervisor
from meter.engine.unset_marks import UnsetMarks
from meter.logbook.recorded_day import read
from tests.meter.engine.test_engine import Bench
from tests.meter.engine.test_supervisor import start as start
from tests.meter.engine.test_supervisor import tone as tone
from tests.meter.engine.test_supervisor import until


def test_marks_wait_until_an_engine_has_them() -> None:
    times = iter([100.0, 101.0, 102.0])
    marks = UnsetMarks(lambda: next(times))
    first, second = marks.add(), marks.add()
    assert (first.at, second.at) == (100.0, 101.0)
    marks.follow(EventsRecorded(9))
    assert marks.waiting == (first, second), "another count"
    marks.follow(MarkTaken(first.number))
    assert marks.waiting == (second,)
    third = marks.add()
    marks.follow(MarkTaken(third.number))
    assert marks.waiting == ()


def test_a_mark_of_before_a_reset_is_not_set_afterwards() -> None:
    marks = UnsetMarks()
    marks.add()
    marks.forget()
    assert marks.waiting == ()


@pytest.mark.parametrize(("ago", "place"), [(4.0, 16.0), (0.5, 20.0), (math.nan, 20.0), (60.0, 10.0)])
def test_a_mark_that_waited_has_the_place_and_the_time_of_its_setting(
    tmp_path: Path, ago: float, place: float
) -> None:
    """Not before the mark before it, however long it waited."""
    bench = Bench(tmp_path, [Tone(60.0)])
    bench.run(10.0)
    bench.engine.mark()
    bench.run(10.0)
    asked = time.time() - ago
    bench.engine.mark(at=asked)
    first, second = bench.run(0.1).marks[-2:]
    assert second.start == pytest.approx(place, abs=0.05)
    assert first.seconds(0.0) == pytest.approx(place - 10.0, abs=0.05)
    assert second.at == pytest.approx(asked if ago > 1.0 else time.time(), abs=0.5)


def test_a_mark_set_while_the_engine_is_replaced_is_kept_and_the_record_tells_of_it(
    start: Callable[[EngineOrder], Supervisor], tone: SourceRequest, tmp_path: Path
) -> None:
    """The engine stands still; the mark is set in the four seconds before that is noticed."""
    book = tmp_path / "book" / "logbook.sqlite3"
    supervisor = start(EngineOrder(tone, logbook=str(book)))
    until(supervisor, lambda frame: frame.status.frames > 3.5 * 48_000)
    first = supervisor.engine_pid
    assert first is not None
    os.kill(first, signal.SIGSTOP)
    stopped = time.time()
    while time.time() < stopped + 1.5:
        supervisor.poll()
        time.sleep(0.02)
    supervisor.mark()
    asked = time.time()
    frame = until(supervisor, lambda frame: supervisor.engine_pid != first and len(frame.marks) == 2)
    after = until(supervisor, lambda later: later.status.frames > frame.status.frames + 48_000)
    marked = frame.marks[-1]
    assert marked.running
    assert marked.at == pytest.approx(asked, abs=0.1)
    elapsed = frame.status.elapsed_seconds
    assert marked.start < elapsed - 2.0, "where it was set, not where the next engine went on"
    supervisor.close()
    (path,) = (book.parent / "record").rglob("*.sqlite3")
    events = read(path).events
    (engine,) = (event for event in events if event.kind == "engine")
    assert "did not answer" in engine.words
    (gap,) = (event for event in events if event.kind == "gap")
    assert gap.seconds == pytest.approx(after.status.lost_frames / 48_000, abs=0.1)
    assert gap.at == pytest.approx(stopped, abs=3.0)
    assert [event.words for event in events if event.kind == "state"].count("Sound comes from 'tone.wav'.") == 2
