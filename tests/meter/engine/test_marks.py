"""Marks through the engine: the figures of a span that ended are in the frame, over resets and new engines."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest

from meter.audio.script import ScriptedSource, Tone, Value
from meter.audio.source import SourceRequest
from meter.engine.engine import Engine
from meter.engine.in_process import Mailbox
from meter.engine.messages import LayoutChanged, SpanEnded
from meter.engine.received import Received
from meter.engine.status import pack_status
from meter.marks import AT_PLAY_NOTHING, AT_PLAY_PASS, AT_PLAY_RESET, PASS, MarkList
from meter.plugin.host import discover, usable
from meter.readings import Field, Layout
from tests.meter.engine.test_engine import Bench, energy
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


def playing(tmp_path: Path, at_play: str) -> Bench:
    """A tone of 4 s, a stop of 4 s, a tone, a stop."""
    events = [Tone(4.0), Value(4.0, 0.0), Tone(5.0), Value(5.0, 0.0), Tone(60.0)]
    bench = Bench(tmp_path, events)
    bench.engine.spans.at_play = at_play
    return bench


def test_passes_begin_and_end_with_the_transport(tmp_path: Path) -> None:
    bench = playing(tmp_path, AT_PLAY_PASS)
    assert bench.run(5.0).marks == (), "the first sound may have been playing for long"
    (first,) = bench.run(2.0).marks
    assert (first.name, first.kind, first.start) == ("pass 1", PASS, 0.0)
    assert first.end == pytest.approx(4.0, abs=0.05)
    running = bench.run(3.0).marks[-1]
    assert (running.name, running.running) == ("pass 2", True)
    assert running.start == pytest.approx(8.0, abs=0.05)
    ended = bench.run(6.0).marks
    assert [mark.name for mark in ended] == ["pass 1", "pass 2"]
    assert ended[-1].end == pytest.approx(13.0, abs=0.05)


def test_a_mark_within_a_pass_ends_with_it(tmp_path: Path) -> None:
    bench = playing(tmp_path, AT_PLAY_PASS)
    bench.run(2.0)
    bench.engine.mark()
    marks = bench.run(5.0).marks
    assert [mark.name for mark in marks] == ["start", "mark 1"]
    assert marks[-1].end == pytest.approx(4.0, abs=0.05)
    bench.engine.mark()
    assert [mark.name for mark in bench.run(0.2).marks] == ["start", "mark 1", "mark 2"], "no span of the silence"


def test_by_choice_play_resets(tmp_path: Path) -> None:
    bench = playing(tmp_path, AT_PLAY_RESET)
    before = bench.run(7.0)
    assert before.status.elapsed_seconds == pytest.approx(7.0, abs=0.1)
    after = bench.run(3.0)
    assert after.status.elapsed_seconds == pytest.approx(2.0, abs=0.1)
    assert after.number("tally.total") == pytest.approx(energy(-18.0, 2.0), rel=0.05)
    assert after.marks == ()


def test_calibration_noise_is_no_pass(tmp_path: Path) -> None:
    bench = playing(tmp_path, AT_PLAY_PASS)
    bench.run(7.0)
    bench.engine.output.suspend("Calibration noise plays.")
    assert [mark.name for mark in bench.run(3.0).marks] == ["pass 1"]


def test_by_choice_nothing_happens_at_play(tmp_path: Path) -> None:
    bench = playing(tmp_path, AT_PLAY_NOTHING)
    frame = bench.run(16.0)
    assert frame.marks == ()
    assert frame.status.elapsed_seconds == pytest.approx(16.0, abs=0.1)


def test_a_click_while_nothing_plays_is_no_pass() -> None:
    found = MarkList()
    found.stop(100.0, 1e6, {})
    found.begin(110.0, 1e6 + 10.0, {}, PASS)
    found.stop(110.1, 1e6 + 12.0, {})
    found.begin(120.0, 1e6 + 20.0, {}, PASS)
    assert [mark.name for mark in found.marks] == ["pass 1", "pass 2"]
    assert found.marks[-1].start == 120.0


def test_the_silence_after_a_pass_does_not_widen_its_loudness_range() -> None:
    """A steady tone has a range of 0 LU (EBU Tech 3342); two seconds of silence more would fall within its gate."""
    source = ScriptedSource([Tone(8.0), Value(6.0, 0.0)])
    box = Mailbox()
    plugins = [plugin for plugin in usable(discover()) if plugin.id == "loudness"]
    engine = Engine(plugins, box, clock=lambda: source.now_ns() / 1e9, open_source=lambda _request: source)
    engine.open(SourceRequest("script", "a script"))
    for _ in range(650):
        source.advance(0.02)
        engine.step()
    frame = box.take()
    assert frame is not None
    (heard,) = frame.marks
    assert heard.figures["loudness.range_mark"] == pytest.approx(0.0, abs=0.6)
    assert heard.figures["loudness.measured_mark"] == pytest.approx(8.3, abs=0.1)
    assert heard.end == pytest.approx(8.0, abs=0.05)
