"""Marks through the engine: the figures of a span that ended are in the frame, over resets and new engines."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest

from meter.audio.script import Tone
from meter.audio.source import SourceRequest
from meter.engine.messages import LayoutChanged, SpanEnded
from meter.engine.received import Received
from meter.engine.status import pack_status
from meter.readings import Field, Layout
from tests.meter.engine.test_engine import Bench
from tests.support.frames import status

PLAN = Layout.build({"tally": (Field("total", "", summary=True), Field("total_mark", ""))}, {"tally": 2})


def test_marks_travel_in_the_frame_with_place_and_time_of_day(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(20.0)])
    bench.run(2.0)
    bench.engine.mark()
    first, running = bench.run(1.0).marks
    assert (first.start, first.end) == (0.0, running.start)
    assert running.start == pytest.approx(2.0, abs=0.05)
    assert running.at - first.at == pytest.approx(2.0, abs=0.1)


def test_a_reset_and_another_source_end_the_span_and_keep_the_list(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(20.0)])
    bench.run(2.0)
    bench.engine.mark()
    bench.run(1.0)
    bench.engine.reset()
    frame = bench.run(1.0)
    assert [round(mark.start) for mark in frame.marks] == [-3, -1]
    assert not frame.marks[-1].running
    bench.engine.open(SourceRequest("script", "another"))
    assert [round(mark.start) for mark in bench.run(0.5).marks] == [-4, -2]


def test_the_list_outlives_an_engine() -> None:
    received = Received(lambda _key: None)
    received.apply(LayoutChanged.of(1, PLAN))
    received.apply(SpanEnded(10.0, 1e6, {"tally.total_mark": 4.0}, begins=True))
    before = received.frame(1, pack_status(status(20.0)), np.array([9.0, 7.0]))
    received.forget()
    received.apply(LayoutChanged.of(1, PLAN))
    carried_on = received.frame(1, pack_status(status(19.0)), np.array([9.0, 7.0]))
    restarted = received.frame(1, pack_status(status(1.0)), np.array([1.0, 1.0]))
    assert before is not None
    assert carried_on is not None
    assert restarted is not None
    assert carried_on.marks == before.marks
    assert restarted.marks[0] == msgspec.structs.replace(before.marks[0], start=-19.0, end=-9.0)
    assert (restarted.marks[1].end, restarted.marks[1].figures) == (0.0, {"tally.total_mark": 7.0})
