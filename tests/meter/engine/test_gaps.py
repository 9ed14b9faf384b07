"""Gaps: where each began and how long it was, whatever caused it; what they cost the figures; one event for each."""

from __future__ import annotations

import itertools
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from meter.audio.script import Event, Gone, Lost, Rate, ScriptedSource, Stall, Tone, Value
from meter.audio.source import SourceError, SourceInfo, SourceRequest
from meter.engine.day_recorder import DayRecorder
from meter.engine.engine import Engine
from meter.engine.in_process import Mailbox
from meter.engine.messages import RecordEvent
from meter.engine.watchdog import SLEPT_SECONDS
from meter.plugin.host import discover
from meter.readings import Frame
from tests.meter.engine.test_engine import STEP_SECONDS, Bench, energy
from tests.support.plugins import write_meter

RATE_HZ = 48_000


class Kept(DayRecorder):
    """Keeps every event of the engine."""

    def __init__(self, events: list[RecordEvent]) -> None:
        super().__init__()
        self.events = events

    def take_event(self, event: RecordEvent) -> None:
        self.events.append(event)


class Watched(Bench):
    """A bench that keeps every event, over a clock that goes on in sleep; ``slept`` is how far it is ahead."""

    def __init__(self, folder: Path, events: Sequence[Event], source: ScriptedSource | None = None) -> None:
        self.source = source or ScriptedSource(events)
        self.box, self.states, self.slept = Mailbox(), [], 0.0
        self.events: list[RecordEvent] = []
        self.sentences: list[str] = []
        plugins = discover([write_meter(folder, "tally")], installed=False)
        self.engine = Engine(
            plugins,
            self.box,
            clock=self.now,
            steady=lambda: self.now() + self.slept,
            open_source=lambda _request: self.source,
            day=Kept(self.events),
        )
        self.engine.open(SourceRequest("script", "a script"))

    def run(self, seconds: float) -> Frame:
        for _ in range(round(seconds / STEP_SECONDS)):
            frame = super().run(STEP_SECONDS)
            if frame.status.sentence and frame.status.sentence not in self.sentences:
                self.sentences.append(frame.status.sentence)
        return frame

    def told(self, kind: str) -> list[RecordEvent]:
        return [event for event in self.events if event.kind == kind]


class Slow(ScriptedSource):
    """A device whose first sound comes only so long after it was opened, as sound servers do."""

    seconds = 0.46

    def open(self) -> SourceInfo:
        info = super().open()
        self._events.extendleft([Stall(self.seconds, kept=False)] if self._sounded else [])
        return info


def test_frames_dropped_by_a_device_are_one_gap_with_start_and_length(tmp_path: Path) -> None:
    bench = Watched(tmp_path, [Tone(2.0), Lost(4800), Tone(10.0)])
    began = time.time()
    assert bench.run(2.4).status.lost_frames == 4800
    bench.run(6.0)
    (gap,) = bench.told("gap")
    assert gap.seconds == pytest.approx(0.1, abs=1e-6)
    assert began - 1.0 <= gap.at <= time.time()
    assert gap.words in bench.sentences
    assert "100 ms" in gap.words


def test_a_flood_of_dropped_blocks_is_told_as_one_gap(tmp_path: Path) -> None:
    blocks = itertools.chain.from_iterable((Tone(0.1), Lost(480)) for _ in range(30))
    bench = Watched(tmp_path, [Tone(1.0), *blocks, Tone(10.0)])
    frame = bench.run(12.0)
    assert (frame.status.lost_frames, frame.status.gaps) == (30 * 480, 1), "the clock does not count them once more"
    (gap,) = bench.told("gap")
    assert gap.seconds == pytest.approx(0.3, abs=1e-6)


def test_a_flag_of_a_device_and_what_the_clock_finds_are_one_gap(tmp_path: Path) -> None:
    """A device flags that frames are lost, not how many: at least one is counted at once, the rest seconds later."""
    bench = Watched(tmp_path, [Tone(15.0), Lost(1), Lost(24_000, flagged=False), Tone(30.0)])
    frame = bench.run(30.0)
    assert frame.status.gaps == 1
    assert frame.status.lost_frames == pytest.approx(24_000, abs=1500)
    (gap,) = bench.told("gap")
    assert gap.seconds == pytest.approx(0.5, abs=0.03)


def test_a_loss_without_a_flag_is_told_with_the_place_of_the_cut(tmp_path: Path) -> None:
    bench = Watched(tmp_path, [Tone(15.0), Lost(24_000, flagged=False), Tone(30.0)])
    bench.run(29.0)
    (gap,) = bench.told("gap")
    assert gap.seconds == pytest.approx(0.5, abs=0.03)


def test_what_was_taken_for_lost_and_came_late_is_no_gap_any_more(tmp_path: Path) -> None:
    """The time of a stall in which a few blocks come on time looks like a loss until the rest comes."""
    late: list[Event] = [Tone(12.0)]
    bench = Watched(tmp_path, late, Late([Tone(60.0)]))
    frame = bench.run(12.0)
    bench.source.hold_back = 1.0
    frame = bench.run(8.0)
    assert frame.status.gaps == 1
    bench.source.hold_back = 0.0
    frame = bench.run(8.0)
    assert (frame.status.lost_frames, frame.status.gaps) == (0, 0)
    assert any("come late" in event.words for event in bench.told("state"))


class Late(ScriptedSource):
    """Each block is stamped as if it came so much later than it was played."""

    hold_back = 0.0
    _kept: list[tuple[float, np.ndarray]]

    def _write(self, block: np.ndarray) -> None:
        self._kept = [*getattr(self, "_kept", []), (self.now_ns() / 1e9 + self.hold_back, block)]
        while self._kept and self._kept[0][0] <= self.now_ns() / 1e9 + (1e-9 if self.hold_back else 1e9):
            super()._write(self._kept.pop(0)[1])


def test_the_gap_of_a_source_that_comes_back_ends_with_its_first_frame(tmp_path: Path) -> None:
    """Opening takes time too: the gap is what the counter of the sound says, not when the source was opened."""
    bench = Watched(tmp_path, [], Slow([Tone(2.0), Gone("'Scripted input' went away."), Tone(60.0)]))
    frame = bench.run(6.0)
    assert frame.status.state == "running"
    missing = 6.0 - frame.status.frames / RATE_HZ
    assert frame.status.lost_frames / RATE_HZ == pytest.approx(missing, abs=0.021)
    (gap,) = bench.told("gap")
    assert gap.seconds == pytest.approx(missing, abs=0.021)
    assert frame.status.gaps == 1


def test_a_gap_is_counted_while_it_lasts(tmp_path: Path) -> None:
    bench = Watched(tmp_path, [Tone(2.0), Gone("'Scripted input' went away.", refusals=1000), Tone(60.0)])
    frame = bench.run(12.0)
    assert frame.status.lost_frames / RATE_HZ == pytest.approx(10.0, abs=1.1)
    assert frame.status.gaps == 1
    bench.engine.mark()
    frame = bench.run(0.2)
    assert frame.marks[-1].start == pytest.approx(12.0, abs=0.05), "where it was pressed, not where the sound stopped"


def test_a_source_that_never_sounded_has_no_gap(tmp_path: Path) -> None:
    frame = Watched(tmp_path, [Stall(30.0, kept=False), Tone(60.0)]).run(35.0)
    assert (frame.status.gaps, frame.status.lost_frames) == (0, 0)


def test_reset_in_a_gap_counts_the_rest_of_it(tmp_path: Path) -> None:
    bench = Watched(tmp_path, [Tone(2.0), Gone("'Scripted input' went away.", refusals=4), Tone(60.0)])
    bench.run(6.0)
    bench.engine.reset()
    frame = bench.run(20.0)
    assert frame.status.state == "running"
    assert frame.status.gaps == 1
    assert frame.status.elapsed_seconds == pytest.approx(20.0, abs=1.1)


def test_another_source_ends_the_gap(tmp_path: Path) -> None:
    bench = Watched(tmp_path, [Tone(2.0), Gone("'Scripted input' went away.", refusals=1000)])
    bench.run(7.0)
    bench.source = ScriptedSource([Tone(60.0)])
    bench.source._time = 6.0 + 1.0
    bench.engine.open(SourceRequest("script", "another"))
    frame = bench.run(1.0)
    assert (frame.status.gaps, frame.status.lost_frames) == (0, 0)
    (gap,) = bench.told("gap")
    assert gap.seconds == pytest.approx(5.0, abs=0.1)


# Another format


def test_another_rate_is_another_segment_and_its_frames_are_not_added_to_the_old_ones(tmp_path: Path) -> None:
    bench = Watched(tmp_path, [Tone(20.0), Rate(44_100), Tone(60.0)])
    bench.run(10.0)
    bench.engine.mark()
    bench.run(10.1)
    frame = bench.run(10.0)
    assert frame.status.rate_hz == 44_100
    assert frame.status.elapsed_seconds == pytest.approx(9.5, abs=0.6), "30.1 s at two rates make no clock"
    assert frame.status.gaps == 0
    assert [mark.running for mark in frame.marks] == [False, False]
    start, marked = frame.marks
    assert marked.seconds(0.0) == pytest.approx(10.0, abs=0.1), "the span ended with the old format"
    assert start.figures == {}
    (gap,) = bench.told("gap")
    assert gap.seconds == pytest.approx(0.5, abs=0.1)
    assert any("another format" in words for words in bench.sentences)


# Sleep


def test_a_machine_that_slept_has_a_gap_of_that_length_and_opens_the_source_again(tmp_path: Path) -> None:
    bench = Watched(tmp_path, [Tone(600.0)])
    bench.run(5.0)
    opened = bench.source
    before = bench.source.statistics()["frames"]
    bench.slept = 3600.0
    frame = bench.run(3.0)
    assert bench.states == ["running", "starting", "running"]
    assert frame.status.state == "running"
    assert opened.statistics()["frames"] > before
    assert frame.status.elapsed_seconds == pytest.approx(5.0 + 3600.0 + 3.0, abs=0.1)
    assert frame.status.gaps == 1
    (gap,) = bench.told("gap")
    assert gap.seconds == pytest.approx(3600.0, abs=0.1)
    assert gap.at == pytest.approx(time.time() - 3600.0, abs=5.0)
    assert any(words.endswith(", while the computer slept.") for words in bench.sentences)
    assert any("slept for 1 h 00 min" in event.words for event in bench.told("state"))


def test_a_second_sleep_is_noticed_and_a_wobble_of_the_clocks_is_none(tmp_path: Path) -> None:
    bench = Watched(tmp_path, [Tone(600.0)])
    bench.run(1.0)
    for _ in range(10):
        bench.slept += SLEPT_SECONDS * 0.9
        bench.run(0.5)
    assert bench.told("gap") == []
    for _ in range(2):
        bench.slept += 100.0
        bench.run(2.0)
    assert [event.seconds for event in bench.told("gap")] == pytest.approx([100.0, 100.0], abs=0.1)


def test_a_sleep_while_the_source_is_away_lengthens_that_gap(tmp_path: Path) -> None:
    bench = Watched(tmp_path, [Tone(2.0), Gone("'Scripted input' went away.", refusals=4), Tone(600.0)])
    bench.run(4.0)
    bench.slept = 1000.0
    bench.run(30.0)
    (gap,) = bench.told("gap")
    assert gap.seconds > 1002.0
    assert bench.run(0.1).status.elapsed_seconds == pytest.approx(34.1 + 1000.0, abs=0.1)


def test_a_night_costs_no_time_and_the_meters_go_on(tmp_path: Path) -> None:
    """Ten hours in one gap."""
    bench = Watched(tmp_path, [Tone(600.0)])
    bench.run(1.0)
    bench.slept = 36_000.0
    frame = bench.run(2.0)
    assert frame.status.quarantined == {}
    assert frame.number("tally.total") == pytest.approx(energy(-18.0, frame.status.frames / RATE_HZ), rel=1e-3)


def test_a_file_is_not_opened_again_after_sleep(tmp_path: Path) -> None:
    bench = Watched(tmp_path, [], ScriptedSource([Tone(30.0)], live=False))
    bench.engine.open(SourceRequest("file", "tune.wav"))
    bench.run(2.0)
    bench.slept = 3600.0
    frame = bench.run(2.0)
    assert (frame.status.gaps, frame.status.state) == (0, "running")


# States, each with one sentence and one event


class Loopback(ScriptedSource):
    """A source that delivers nothing while nothing plays."""

    def open(self) -> SourceInfo:
        return replace(super().open(), idle_is_normal=True)


def test_nothing_plays_is_idle_and_no_gap(tmp_path: Path) -> None:
    """As a loopback that stops calling for a minute: idle, what was measured unaffected, no gap event."""
    bench = Watched(tmp_path, [], Loopback([Tone(15.0), Stall(60.0, kept=False), Tone(600.0)]))
    bench.run(30.0)
    assert bench.engine.state == "idle"
    frame = bench.run(70.0)
    assert bench.states == ["running", "idle", "running"]
    assert (frame.status.gaps, frame.status.lost_frames, bench.told("gap")) == (0, 0, [])
    assert frame.number("tally.total") == pytest.approx(energy(-18.0, frame.status.frames / RATE_HZ), rel=1e-3)


def test_a_source_that_cannot_be_opened_is_not_shown_as_the_last_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The newest snapshot is of the choice that failed, without readings, and not of what was heard before."""
    bench = Watched(tmp_path, [Tone(60.0)])
    bench.run(2.0)
    monkeypatch.setattr(bench.source, "open", refuse)
    bench.engine.open(SourceRequest("file", "tune.wav"))
    frame = bench.run(0.2)
    assert (frame.status.state, frame.status.source) == ("failed", "tune.wav")
    assert "tally.total" not in frame


def silent(seconds: float) -> list[Event]:
    return [Tone(2.0), Stall(seconds, kept=False), Tone(60.0)]


def provoked(folder: Path, state: str) -> Watched:
    """A bench on which this state came about."""
    gone = Gone("'Scripted input' was unplugged.", refusals=1000)
    events: dict[str, list[Event]] = {
        "starting": [Stall(0.5, kept=False), Tone(60.0)],
        "late": silent(2.0),
        "lost": silent(60.0),
        "reopening": silent(60.0),
        "waiting": [Tone(2.0), gone],
        "invalid": [Tone(2.0), Value(3.0, np.nan)],
    }
    if state == "idle":
        return Watched(folder, [], Loopback(silent(60.0)))
    bench = Watched(folder, events.get(state, [Tone(60.0)]), None if state != "ended" else Ended([Tone(4.0)]))
    return bench


class Ended(ScriptedSource):
    def open(self) -> SourceInfo:
        return replace(super().open(), live=False)


STATES = ("starting", "running", "idle", "late", "lost", "reopening", "waiting", "ended", "invalid", "failed")


@pytest.mark.parametrize("state", STATES)
def test_each_state_is_one_sentence_and_one_event(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, state: str
) -> None:
    bench = provoked(tmp_path, state)
    if state == "failed":
        monkeypatch.setattr(bench.source, "open", refuse)
        bench.engine.open(SourceRequest("file", "tune.wav"))
    bench.run(5.7)
    found = [event for event in bench.told("state") if WORDS[state] in event.words]
    assert len(found) == 1, bench.events
    sentence = found[0].words
    assert sentence.endswith(".")
    assert "\n" not in sentence
    if state in ("late", "lost", "waiting", "invalid", "failed"):
        line = "opened again" if state == "late" else WORDS[state].rpartition(": ")[2]
        assert any(line in words for words in bench.sentences), "beside the words of the feed line for the state"


def refuse() -> SourceInfo:
    raise SourceError("'tune.wav' is not there; choose another file.")


WORDS = {
    "starting": "no sound has come yet",
    "running": "Sound comes from 'Scripted input'",
    "idle": "Nothing plays on 'Scripted input'",
    "late": "No sound comes from 'Scripted input' any more",
    "lost": "No sound comes from 'Scripted input'; waiting",
    "reopening": "Opening 'Scripted input' again",
    "waiting": "Waiting for 'Scripted input': 'Scripted input' was unplugged",
    "ended": "The end of 'Scripted input'",
    "invalid": "No sample is a number",
    "failed": "'tune.wav' is not there",
}
