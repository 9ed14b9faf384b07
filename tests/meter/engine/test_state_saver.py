"""One engine dies, the next goes on: what was counted since the reset survives, and a reset still forgets it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from textwrap import dedent

import numpy as np
import pytest
from numpy.typing import NDArray

from meter.audio.script import NANOSECONDS, Event, Gone, Rate, ScriptedSource, Tone
from meter.audio.source import SourceInfo, SourceRequest
from meter.engine import guard
from meter.engine.engine import Engine
from meter.engine.in_process import Mailbox
from meter.engine.state_saver import EVERY_SECONDS, UNREADABLE, StateSaver, newest_on
from meter.plugin.host import Plugin, discover
from meter.readings import Frame
from tests.support.plugins import write_meter

RATE_HZ = 48_000
STEP_SECONDS = 0.02
BETWEEN_SECONDS = 3.0
"""From one engine's end to the next one's first sound."""

SAVES_STATE = """
def save_state(self):
    return {"total": self.total}

def restore_state(self, kept):
    self.total = kept["total"]
"""


class StateRegion:
    """As the shared block has one, in this process."""

    def __init__(self) -> None:
        self.room: NDArray[np.uint8] = np.zeros(200_000, np.uint8)
        self.beginning = 0


class Later(ScriptedSource):
    """A script that begins at a time of the machine's clock."""

    def __init__(self, events: Sequence[Event], seconds: float) -> None:
        self._begins_ns = round(seconds * 1e9) - NANOSECONDS  # the clock of a script begins at one second
        super().__init__(events)

    def now_ns(self) -> int:
        return self._begins_ns + super().now_ns()


class Bench:
    """Engines one after the other over one shelf and one clock; each opens its own script."""

    def __init__(self, *folders: Path) -> None:
        self.plugins: Sequence[Plugin] = discover(folders, installed=False)
        self.region = StateRegion()
        self.seconds = 100.0
        self.said: list[str] = []
        self.source_class = Later

    def start(self, *events: Event, name: str = "a script", feeds: dict[str, tuple[int, ...]] | None = None) -> None:
        self.source = self.source_class(events or [Tone(60.0, level_dbfs=-20.0)], self.seconds)
        self.box = Mailbox()
        state_saver = StateSaver(self.region)
        self.engine = Engine(
            self.plugins,
            self.box,
            clock=lambda: self.seconds,
            open_source=lambda _: self.source,
            state_saver=state_saver,
        )
        self.engine.open(SourceRequest("script", name), feeds)
        self.said.append(state_saver.sentence)

    def run(self, seconds: float) -> Frame:
        for _ in range(round(seconds / STEP_SECONDS)):
            self.source.advance(STEP_SECONDS)
            self.seconds += STEP_SECONDS
            while self.engine.step():
                pass
        frame = self.box.take()
        assert frame is not None
        return frame

    def replace(self, **how: object) -> Frame:
        """The engine is gone from one moment to the next; another begins."""
        self.seconds += BETWEEN_SECONDS
        self.start(**how)
        return self.run(1.0)


def keeping_meter(folder: Path, meter_id: str, methods: str = SAVES_STATE) -> Path:
    write_meter(folder, meter_id)
    path = folder / "process.py"
    added = "".join(f"    {line}\n" for line in dedent(methods).splitlines())
    path.write_text(path.read_text(encoding="utf-8") + added, encoding="utf-8")
    return folder


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    made = Bench(keeping_meter(tmp_path / "tally", "tally"))
    made.start()
    return made


def total(seconds: float) -> float:
    """Sum of squares of a sine of -20 dBFS in two channels."""
    return float(10 ** (-20.0 / 10) * RATE_HZ * seconds)


def test_what_was_counted_goes_on_and_the_time_between_is_lost(bench: Bench) -> None:
    bench.run(10.0)
    kept_at = newest_on(bench.region)
    assert kept_at is not None
    old = kept_at.counts[0]
    missing = bench.seconds + BETWEEN_SECONDS - kept_at.taken_at
    assert missing <= BETWEEN_SECONDS + EVERY_SECONDS + 2 * STEP_SECONDS
    frame = bench.replace()
    assert frame.number("tally.total") == pytest.approx(total(old / RATE_HZ + 1.0), rel=0.01)
    assert frame.status.frames == pytest.approx(old + RATE_HZ, abs=960)
    assert frame.status.lost_frames == pytest.approx(missing * RATE_HZ, abs=2)
    assert frame.status.gaps == 0, "the window counts that one"
    assert bench.said[-1] == f"since-reset readings go on, {missing:.0f} s are missing"


def test_it_goes_on_over_a_second_death(bench: Bench) -> None:
    bench.run(10.0)
    bench.replace()
    bench.run(9.0)
    frame = bench.replace()
    assert frame.status.frames > 14 * RATE_HZ
    assert frame.number("tally.total") == pytest.approx(total(frame.status.frames / RATE_HZ), rel=0.01)


@pytest.mark.parametrize("what", ["reset", "open"])
def test_a_new_beginning_is_not_undone(bench: Bench, what: str) -> None:
    """The window counts the beginning before it says so: it holds even where the engine died before it heard it."""
    for heard in (True, False):
        bench.run(10.0)
        bench.region.beginning += 1
        if heard and what == "reset":
            bench.engine.reset()
        elif heard:
            bench.engine.open(SourceRequest("script", "a script"))
        frame = bench.replace()
        assert frame.number("tally.total") == pytest.approx(total(1.0), rel=0.05)
        assert frame.status.lost_frames == 0
        assert bench.said[-1] == ""


def test_what_is_counted_after_a_reset_survives_in_its_turn(bench: Bench) -> None:
    bench.run(10.0)
    bench.region.beginning += 1
    bench.engine.reset()
    bench.run(8.0)
    frame = bench.replace()
    assert 4 * RATE_HZ < frame.status.frames < 10 * RATE_HZ


@pytest.mark.parametrize(
    "other",
    [
        {"name": "another script"},
        {"feeds": {"mix": (1, 0)}},
    ],
)
def test_another_source_or_feeds_begin_anew(bench: Bench, other: dict[str, object]) -> None:
    bench.run(10.0)
    assert bench.replace(**other).number("tally.total") == pytest.approx(total(1.0), rel=0.05)
    assert newest_on(bench.region) is None, "and what was left is not kept for later"


def test_a_source_that_came_back_in_another_format_begins_anew(bench: Bench) -> None:
    bench.start(Tone(10.0), Rate(44_100), Tone(60.0))
    bench.run(30.0)
    frame = bench.replace()
    assert frame.number("tally.total") == pytest.approx(total(1.0), rel=0.05)


def test_another_output_of_the_same_format_goes_on_in_the_next_engine_too(bench: Bench) -> None:
    """A source that follows the default output went to another one; the engine then ends, and the next hears that."""

    class Default(Later):
        output = "front"

        def open(self) -> SourceInfo:
            return replace(super().open(), output=self.output)

    bench.source_class = Default
    bench.start(Tone(10.0), Gone(), Tone(60.0))
    bench.run(9.0)
    Default.output = "side"
    bench.run(20.0)
    frame = bench.replace()
    assert frame.number("tally.total") > total(20.0)
    assert bench.said[-1].startswith("since-reset readings go on")


def test_time_in_which_the_source_was_gone_is_missing_too(bench: Bench) -> None:
    bench.start(Tone(10.0), Gone(refusals=1000))
    bench.run(40.0)
    frame = bench.replace()
    assert frame.status.lost_frames > 30 * RATE_HZ


@pytest.mark.parametrize("place", [0, 30, 100])
def test_what_was_changed_is_not_taken_and_said_in_one_sentence(bench: Bench, place: int) -> None:
    bench.run(10.0)
    for half in bench.region.room.reshape(2, -1):
        half[8 + place] ^= 0x55
    frame = bench.replace()
    assert frame.number("tally.total") == pytest.approx(total(1.0), rel=0.05)
    assert bench.said[-1] == UNREADABLE
    bench.run(10.0)
    assert bench.replace().status.frames > 4 * RATE_HZ, "the next one is whole again"


def test_an_engine_that_dies_while_it_writes_leaves_the_last_one(bench: Bench) -> None:
    bench.run(10.0)
    first = newest_on(bench.region)
    number = bench.region.room.reshape(2, -1)[:, :8].copy().view(np.int64)[:, 0]
    newest = bench.region.room.reshape(2, -1)[int(np.argmax(number))]
    newest[:8] = 0
    second = newest_on(bench.region)
    assert first is not None
    assert second is not None
    assert second.taken_at == pytest.approx(first.taken_at - EVERY_SECONDS, abs=0.1)


def others(tmp_path: Path, methods: str) -> Bench:
    """A meter with these methods beside one that keeps."""
    bench = Bench(keeping_meter(tmp_path / "odd", "odd", methods), keeping_meter(tmp_path / "tally", "tally"))
    bench.start()
    bench.run(10.0)
    return bench


@pytest.mark.parametrize(
    "methods",
    [
        "def save_state(self):\n    raise SystemExit(1)",
        "def save_state(self):\n    return {'self': self}",
        "def save_state(self):\n    return None",
        "def save_state(self):\n    return {'total': 1.0}\n\n"
        "def restore_state(self, kept):\n    self.total = kept['gone']",
    ],
)
def test_a_meter_that_cannot_begins_anew_is_named_and_measures_on(tmp_path: Path, methods: str) -> None:
    bench = others(tmp_path, methods)
    assert bench.box.take().status.quarantined == {}
    frame = bench.replace()
    assert frame.number("odd.total") == pytest.approx(total(1.0), rel=0.05)
    assert frame.number("tally.total") > total(4.0)
    assert frame.status.quarantined == {}
    assert bench.said[-1].endswith("; those of “Meter odd” restarted")


def test_a_meter_with_nothing_to_keep_is_not_named(tmp_path: Path) -> None:
    bench = others(tmp_path, "")
    bench.replace()
    assert bench.said[-1].endswith("are missing")


def test_a_meter_of_another_version_begins_anew(bench: Bench, tmp_path: Path) -> None:
    bench.run(10.0)
    path = tmp_path / "tally" / "manifest.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("0.1.0", "0.2.0"), encoding="utf-8")
    bench.plugins = discover([tmp_path / "tally"], installed=False)
    assert bench.replace().number("tally.total") == pytest.approx(total(1.0), rel=0.05)
    assert "“Meter tally” restarted" in bench.said[-1]


def test_a_meter_that_takes_long_to_say_is_not_asked_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "LONGEST_KEEP_SECONDS", -1.0)
    counts = tmp_path / "asked"
    methods = (
        f"def save_state(self):\n    with open({str(counts)!r}, 'a') as file:\n"
        "        file.write('x')\n    return {}"
    )
    others(tmp_path, methods)
    assert counts.read_text(encoding="utf-8") == "x"


def test_a_mark_is_left_at_once(bench: Bench) -> None:
    bench.run(10.0)
    bench.engine.mark()
    bench.run(0.1)
    left = newest_on(bench.region)
    assert left is not None
    assert bench.seconds - left.taken_at < 0.1


def test_it_waits_for_a_pause_but_not_for_ever(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    state_saver = StateSaver(bench.region)
    chain = bench.engine.chain
    assert chain is not None
    taken: list[float] = []
    monkeypatch.setattr(chain, "save_state", lambda: taken.append(now) or {})
    state_saver.restore_state(chain, "a source", 0.0)
    leave: Callable[..., None] = state_saver.attend
    for now in np.arange(0.0, 6.0, 0.01):
        leave(chain, (0, 0, 0), now, "running", busy=now < 3.5 or round(now * 100) % 2 == 0)
    assert taken == pytest.approx([EVERY_SECONDS + 1.0, 2 * EVERY_SECONDS + 1.01], abs=0.02)
