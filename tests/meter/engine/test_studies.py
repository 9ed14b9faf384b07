"""Studies: run beside the loop on the newest stretch, never queued; what goes wrong sets their meter aside."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from dsp.core.types import Spec
from meter.audio.script import ScriptedSource, Tone
from meter.audio.source import SourceRequest
from meter.engine import studies as module
from meter.engine.engine import Engine
from meter.engine.guard import GuardedMeter
from meter.engine.in_process import Mailbox
from meter.engine.messages import FindingsDropped, FindingsMade
from meter.engine.received import Received, findings_types
from meter.engine.studies import LEAST_SHARE, LONGEST_STUDY_SECONDS, SHARE_OF_A_CORE, Outcome, Studies
from meter.plugin.host import Plugin, discover
from tests.support.plugins import write_meter

TABLE = """
[[study]]
key = "sum"
function = "study:total"
findings = "study:Total"
every_seconds = 0.05
"""
STUDY = """
import msgspec
import signal
import threading

class Total(msgspec.Struct, frozen=True):
    frames: float
    runs: int

def total(stretch, settings, before):
    return Total(stretch, before.runs + 1 if before else 1)
"""
BUSY_SECONDS = {"long": 0.5, "short": 0.005}
STRETCH = "    def stretch(self, study):\n        return self.total\n"


@pytest.fixture
def make(tmp_path: Path) -> Callable[..., Plugin]:
    """A meter that counts frames, with a study of this text."""

    def made(name: str = "own", study: str = STUDY, stretch: str = STRETCH) -> Plugin:
        folder = write_meter(tmp_path / name, name, process="self.total += float(len(block))")
        for file, more in (("manifest.toml", TABLE), ("process.py", "\n" + stretch), ("study.py", study)):
            path = folder / file
            path.write_text((path.read_text(encoding="utf-8") if path.exists() else "") + more, encoding="utf-8")
        (found,) = discover([folder], installed=False)
        assert not found.refusal, found.refusal
        return found

    return made


class Loop:
    """Studies as an engine calls them, with a clock turned by hand."""

    def __init__(self, plugin: Plugin, *, threaded: bool = True) -> None:
        self.made: list[object] = []
        self.drops = 0
        self.seconds = 0.0
        find = findings_types(lambda: [plugin])
        self.received = Received(find)
        self.meter = GuardedMeter(plugin)
        self.meter.prepare(Spec(48_000, 2, (), {"mix": (0, 1)}))
        self.studies = Studies(self._send, threaded=threaded)
        self.studies.follow([self.meter])

    def _send(self, message: FindingsMade | FindingsDropped) -> None:
        self.received.apply(message)
        if isinstance(message, FindingsDropped):
            self.drops += 1
        else:
            self.made.append(self.received._findings[message.key])

    def hear(self, frames: int) -> None:
        self.meter.process(np.zeros((frames, 2)))

    def turn(self, seconds: float = 0.1) -> None:
        self.seconds += seconds
        self.studies.attend(self.seconds)

    def until(self, met: Callable[[], bool]) -> None:
        """Turn the loop until something has come of the study at work."""
        end = time.monotonic() + 10.0
        while not met() and time.monotonic() < end:
            self.turn(0.001)
            time.sleep(0.001)
        assert met()


@pytest.fixture
def gate() -> Iterator[threading.Event]:
    """What a study waits for; a module of its name is how the study gets hold of it."""
    event = threading.Event()
    threading.study_gate = event  # type: ignore[attr-defined]
    yield event
    event.set()
    del threading.study_gate  # type: ignore[attr-defined]


WAITS = STUDY.replace("    return Total", "    threading.study_gate.wait(10.0)\n    return Total")


def test_findings_arrive_typed_and_the_last_ones_are_given_to_the_next_run(make: Callable[..., Plugin]) -> None:
    loop = Loop(make(), threaded=False)
    loop.hear(480)
    loop.turn()
    loop.hear(480)
    loop.turn()
    assert [(found.frames, found.runs) for found in loop.made] == [(480.0, 1), (960.0, 2)]
    assert type(loop.made[0]).__name__ == "Total"


def test_the_newest_stretch_is_studied_and_none_is_queued(make: Callable[..., Plugin], gate: threading.Event) -> None:
    loop = Loop(make(study=WAITS))
    loop.hear(480)
    loop.turn()
    for _ in range(5):
        loop.hear(480)
        loop.turn()
    assert loop.made == []
    gate.set()
    loop.until(lambda: len(loop.made) == 2)
    assert [found.frames for found in loop.made] == [480.0, 6 * 480.0]


def test_what_is_asked_too_soon_waits_for_its_time(make: Callable[..., Plugin]) -> None:
    loop = Loop(make(), threaded=False)
    for _ in range(10):
        loop.turn(0.01)
    assert len(loop.made) == 2, "at 0.01 and 0.06 s"


@pytest.mark.parametrize("what", ["reset", "another chain"])
def test_what_counts_the_whole_sitting_outlives_a_reset(make: Callable[..., Plugin], what: str) -> None:
    plugin = make()
    assert plugin.manifest is not None
    whole = replace(plugin, manifest=msgspec.structs.replace(plugin.manifest, sitting=True))
    loop = Loop(whole, threaded=False)
    loop.hear(480)
    loop.turn()
    assert set(loop.received._findings) == {"own.sum"}
    if what == "reset":
        loop.studies.reset()
    else:
        loop.studies.follow([loop.meter])
    assert set(loop.received._findings) == ({"own.sum"} if what == "reset" else set())
    loop.turn()
    assert [found.runs for found in loop.made] == ([1, 2] if what == "reset" else [1, 1])


@pytest.mark.parametrize("what", ["reset", "another chain"])
def test_a_result_from_before_a_reset_is_dropped(
    make: Callable[..., Plugin], gate: threading.Event, what: str
) -> None:
    loop = Loop(make(study=WAITS))
    drops = loop.drops
    loop.hear(480)
    loop.turn()
    if what == "reset":
        loop.studies.reset()
    else:
        loop.studies.follow([loop.meter])
    assert loop.drops == drops + 1
    loop.hear(480)
    gate.set()
    loop.until(lambda: bool(loop.made))
    assert [(found.frames, found.runs) for found in loop.made] == [(960.0, 1)], "and the next run starts afresh"


@pytest.mark.parametrize(
    ("study", "words"),
    [
        (
            STUDY.replace("return Total(", "raise ValueError('no such bar')\n    return Total("),
            "ValueError: no such bar",
        ),
        (STUDY.replace("return Total(", "raise SystemExit(3)\n    return Total("), "SystemExit: 3"),
        (STUDY.replace("return Total(stretch", "return Total(object()"), "TypeError"),
        (STUDY.replace("return Total(stretch, ", "return dict(frames=stretch, runs="), "not Total"),
        (STUDY.replace("def total", "def __getattr__(name): raise AttributeError\n\n\ndef another"), "has no total"),
        (f"import nothing_of_this_name\n{STUDY}", "nothing_of_this_name"),
    ],
)
def test_a_study_that_fails_sets_its_meter_aside(make: Callable[..., Plugin], study: str, words: str) -> None:
    loop = Loop(make(study=study), threaded=False)
    loop.turn()
    assert loop.meter.fault.startswith("Meter “Meter own” is set aside: its study “sum” failed (")
    assert words in loop.meter.fault
    loop.turn()
    assert loop.made == []


def test_not_a_number_and_infinity_travel(make: Callable[..., Plugin]) -> None:
    loop = Loop(
        make(study=STUDY.replace("Total(stretch", "Total(float('nan') if before else -float('inf')")), threaded=False
    )
    loop.turn()
    loop.turn()
    assert loop.made[0].frames == -np.inf
    assert np.isnan(loop.made[1].frames)


def test_findings_that_this_side_cannot_read_are_a_fault_of_the_meter(make: Callable[..., Plugin]) -> None:
    loop = Loop(make())
    loop.received.apply(FindingsMade("own.sum", msgspec.msgpack.encode({"frames": "many"})))
    assert "study “sum” cannot be read" in loop.received._faults["own"]


def test_a_study_that_does_not_return_is_named_and_ended(make: Callable[..., Plugin]) -> None:
    loop = Loop(make(study=STUDY.replace("    return Total", "    while True:\n        pass\n    return Total")))
    loop.turn()
    thread = loop.studies._worker._thread
    loop.turn(LONGEST_STUDY_SECONDS + 1.0)
    assert "study “sum” did not return within 20 s" in loop.meter.fault
    thread.join(10.0)
    assert not thread.is_alive()


@pytest.mark.parametrize("stretch", ["raise ValueError('no sound')", "return None"])
def test_without_a_stretch_nothing_is_studied(make: Callable[..., Plugin], stretch: str) -> None:
    loop = Loop(make(stretch=f"    def stretch(self, study):\n        {stretch}\n"), threaded=False)
    loop.turn()
    assert loop.made == []
    assert ("failed in stretch (ValueError: no sound; process.py, line" in loop.meter.fault) == ("raise" in stretch)


def test_capturing_that_holds_up_the_loop_sets_the_meter_aside(
    make: Callable[..., Plugin], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "LONGEST_CAPTURE_SECONDS", -1.0)
    loop = Loop(make(), threaded=False)
    loop.turn()
    loop.turn()
    assert not loop.meter.fault
    loop.turn()
    assert "capturing for its study “sum”" in loop.meter.fault


@pytest.mark.parametrize("busy_seconds", [0.2, 2.0])
def test_studies_rest_so_that_they_use_a_tenth_of_a_core(
    make: Callable[..., Plugin], monkeypatch: pytest.MonkeyPatch, busy_seconds: float
) -> None:
    cpu = iter(np.arange(1000) * busy_seconds)
    monkeypatch.setattr(module.time, "thread_time", lambda: float(next(cpu)))
    loop = Loop(make(), threaded=False)
    started = []
    for _ in range(2500):
        before = len(loop.made)
        loop.turn(0.02)
        started += [loop.seconds] * (len(loop.made) - before)
    gaps = np.diff(started)
    assert gaps.min() == pytest.approx(busy_seconds / SHARE_OF_A_CORE - busy_seconds, abs=0.021)
    loop.studies.hurry()
    before = len(loop.made)
    loop.turn(0.02)
    assert len(loop.made) == before + 1, "what the user just set is not kept waiting"


@pytest.mark.parametrize("returns", [True, False])
def test_an_engine_that_ends_waits_for_the_study_at_work_within_bounds(
    make: Callable[..., Plugin], gate: threading.Event, monkeypatch: pytest.MonkeyPatch, returns: bool
) -> None:
    """A process that ends while its thread is in a library is aborted."""
    monkeypatch.setattr(module, "CLOSE_SECONDS", 10.0 if returns else 0.0)
    loop = Loop(make(study=WAITS))
    loop.hear(480)
    loop.turn()
    assert loop.studies._worker is not None
    at_work = loop.studies._worker._thread
    if returns:
        threading.Timer(0.05, gate.set).start()
    loop.studies.close()
    assert at_work.is_alive() != returns
    gate.set()
    at_work.join(10.0)


def test_a_short_study_does_not_wait_for_what_a_long_one_used(
    make: Callable[..., Plugin], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half a second of work every six seconds beside five milliseconds that are due at every turn."""
    meters = [GuardedMeter(make(name)) for name in ("long", "short")]
    for meter in meters:
        meter.prepare(Spec(48_000, 2))
    made: list[tuple[float, str]] = []
    now = 0.0
    studies = Studies(
        lambda sent: made.append((now, sent.key)) if isinstance(sent, FindingsMade) else None, threaded=False
    )
    studies.follow(meters)
    monkeypatch.setattr(module, "run", lambda work: Outcome(work, None, b"", "", BUSY_SECONDS[work.meter.id]))
    for _ in range(3000):
        now += 0.02
        studies.attend(now)
    at = {name: np.array([time for time, key in made if key == f"{name}.sum"]) for name in BUSY_SECONDS}
    assert np.diff(at["short"]).max() < 0.25
    used = {name: BUSY_SECONDS[name] * len(times) / now for name, times in at.items()}
    assert LEAST_SHARE < used["long"] < SHARE_OF_A_CORE
    assert sum(used.values()) < SHARE_OF_A_CORE + LEAST_SHARE


def test_an_engine_puts_findings_into_its_frames(make: Callable[..., Plugin]) -> None:
    plugin = make()
    box = Mailbox([plugin])
    source = ScriptedSource((Tone(2.0),), rate_hz=48_000, channels=2)
    engine = Engine(
        [plugin], box, clock=lambda: source.now_ns() / 1e9, open_source=lambda _: source, threaded_studies=False
    )
    engine.open(SourceRequest("script", "a script"))
    frames = []
    for _ in range(60):
        source.advance(0.02)
        engine.step()
        frames.append(box.take())
    engine.close()
    last = frames[-1]
    assert last is not None
    assert last.findings["own.sum"].frames > 48_000
    assert last.findings is frames[-2].findings or last.findings["own.sum"].runs > frames[-2].findings["own.sum"].runs


RAISES = {
    "an interrupt": "raise KeyboardInterrupt",
    "exit": "raise SystemExit(3)",
    "its own kind of error": "raise type('Odd', (BaseException,), {})('no')",
    "an error without words": "raise type('Odd', (Exception,), {'__str__': lambda self: 1 / 0})()",
}


@pytest.mark.parametrize("kind", RAISES)
@pytest.mark.parametrize("threaded", [False, True])
def test_whatever_a_study_raises_sets_its_meter_aside(
    make: Callable[..., Plugin], kind: str, threaded: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    loop = Loop(
        make(study=STUDY.replace("    return Total", f"    {RAISES[kind]}\n    return Total")), threaded=threaded
    )
    loop.until(lambda: bool(loop.meter.fault))
    assert "its study “sum” failed (" in loop.meter.fault
    assert "study.py, line" in loop.meter.fault
    loop.studies.close()


def test_findings_that_are_far_too_large_do_not_enter_the_pipe(make: Callable[..., Plugin]) -> None:
    large = STUDY.replace("frames: float", "frames: bytes").replace("Total(stretch", "Total(b'x' * 5_000_000")
    loop = Loop(make(study=large), threaded=False)
    loop.turn()
    assert "its findings take 5," in loop.meter.fault
    assert loop.made == []


@pytest.mark.parametrize("kind", [*RAISES, "an error"])
def test_findings_whose_type_raises_in_the_window_are_a_fault_of_the_meter(
    make: Callable[..., Plugin], kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Their author's code runs on this side too, when they are decoded."""
    monkeypatch.setattr(signal, "getsignal", lambda _number: signal.SIG_IGN)  # as in the window
    body = {**RAISES, "an error": "raise RuntimeError('no')"}[kind]
    text = STUDY.replace("    runs: int\n", f"    runs: int\n    def __post_init__(self):\n        {body}\n")
    loop = Loop(make(study=text))
    loop.received.apply(FindingsMade("own.sum", msgspec.msgpack.encode({"frames": 1.0, "runs": 1})))
    assert "the findings of its study “sum” cannot be read (" in loop.received._faults["own"]


@pytest.mark.parametrize("kind", RAISES)
def test_findings_whose_module_raises_in_the_window_are_left_out(
    make: Callable[..., Plugin], kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(signal, "getsignal", lambda _number: signal.SIG_IGN)
    loop = Loop(make(study=RAISES[kind] + "\n" + STUDY))
    loop.received.apply(FindingsMade("own.sum", msgspec.msgpack.encode({"frames": 1.0, "runs": 1})))
    assert loop.received._findings == {}
