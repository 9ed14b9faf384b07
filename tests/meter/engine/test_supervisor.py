"""The engine process, really started: readings come, a dead or hung engine is replaced, nothing is left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import psutil
import pytest
import soundfile

import meter.engine.supervisor
from meter.audio.source import SourceRequest
from meter.engine.process import EngineOrder
from meter.engine.snapshot import NAME_PREFIX
from meter.engine.supervisor import HANG_SECONDS, Supervisor
from meter.instances import Instance
from meter.readings import Frame
from tests.support.hostile import Hostile, write_hostile
from tests.support.plugins import write_meter

PATIENCE_SECONDS = 45.0


def until(supervisor: Supervisor, wanted: Callable[[Frame], bool], seconds: float = PATIENCE_SECONDS) -> Frame:
    """Poll like the window does until a frame is as wanted."""
    end = time.monotonic() + seconds
    frame = None
    while time.monotonic() < end:
        supervisor.poll()
        frame = supervisor.take()
        if frame is not None and wanted(frame):
            return frame
        time.sleep(0.02)
    raise AssertionError(f"not seen in {seconds} s; last status: {frame.status if frame else None}")


def blocks_of(pid: int) -> list[str]:
    return [path.name for path in Path("/dev/shm").glob(f"{NAME_PREFIX}-{pid}-*")]


@pytest.fixture
def tone(tmp_path: Path) -> SourceRequest:
    """Ten seconds of 997 Hz at -20 dBFS in both channels, played in real time and over again."""
    frames = np.arange(480_000) / 48_000
    wave = 0.1 * np.sin(2 * np.pi * 997 * frames)
    soundfile.write(tmp_path / "tone.wav", np.column_stack([wave, wave]), 48_000, subtype="FLOAT")
    return SourceRequest("file", str(tmp_path / "tone.wav"), {"loop": True})


@pytest.fixture
def start() -> Iterator[Callable[[EngineOrder], Supervisor]]:
    started: list[Supervisor] = []

    def begin(order: EngineOrder) -> Supervisor:
        started.append(Supervisor(order))
        return started[-1]

    yield begin
    for supervisor in started:
        supervisor.close()
    assert blocks_of(os.getpid()) == []


def test_readings_come_and_obey_reset_hold_and_settings(start, tone: SourceRequest) -> None:
    supervisor = start(EngineOrder(tone))
    frame = until(supervisor, lambda frame: frame.number("vu.max") > -2.2)
    assert frame.status.state == "running"
    assert (frame.status.rate_hz, frame.status.channels, frame.status.lost_frames) == (48_000, 2, 0)
    supervisor.configure("vu", {"alignment_dbfs": -20.0})
    until(supervisor, lambda frame: frame.number("vu.alignment") == -20.0)
    supervisor.hold(True)
    held = until(supervisor, lambda frame: frame.status.state == "held")
    time.sleep(0.2)
    again = until(supervisor, lambda frame: frame.status.frames > held.status.frames)
    assert again.number("vu.max") == held.number("vu.max")
    supervisor.hold(False)
    supervisor.reset()
    until(supervisor, lambda frame: frame.status.state == "running" and frame.status.frames < held.status.frames)


def test_a_killed_engine_is_replaced_and_the_gap_is_shown(start, tone: SourceRequest) -> None:
    supervisor = start(EngineOrder(tone, settings={"vu": {"alignment_dbfs": -20.0}}))
    until(supervisor, lambda frame: frame.status.state == "running")
    assert supervisor.engine_pid is not None
    first = supervisor.engine_pid
    os.kill(first, signal.SIGKILL)
    frame = until(supervisor, lambda frame: supervisor.engine_pid != first and frame.status.state == "running")
    assert frame.status.gaps == 1
    assert "was replaced" in frame.status.sentence
    assert frame.number("vu.alignment") == -20.0
    assert not psutil.pid_exists(first)


def test_marks_outlive_the_engine_with_names_and_figures(start, tone: SourceRequest) -> None:
    supervisor = start(EngineOrder(tone))
    until(supervisor, lambda frame: frame.number("loudness.measured") > 1.0)
    supervisor.mark()
    until(supervisor, lambda frame: len(frame.marks) == 2 and frame.number("loudness.measured_mark") > 1.0)
    supervisor.name_mark(0, "ve")
    first = supervisor.engine_pid
    assert first is not None
    until(supervisor, lambda frame: frame.marks[0].name == "verse")
    time.sleep(2.5)  # the state of the meters is saved every two seconds
    os.kill(first, signal.SIGKILL)
    frame = until(supervisor, lambda frame: supervisor.engine_pid != first and frame.status.state == "running")
    verse, running = frame.marks
    assert (verse.name, running.running) == ("verse", True)
    assert verse.figures["loudness.integrated_mark"] == pytest.approx(-20.0, abs=0.1)
    assert frame.number("loudness.measured_mark") < frame.number("loudness.measured") - 0.5
    supervisor.clear_marks()
    assert [mark.name for mark in until(supervisor, lambda frame: len(frame.marks) == 1).marks] == ["mark 1"]


def write_tone(path: Path, level_dbfs: float) -> None:
    """Ten seconds of 997 Hz in both channels, in the place of what was there."""
    wave = 10.0 ** (level_dbfs / 20.0) * np.sin(2 * np.pi * 997 * np.arange(480_000) / 48_000)
    soundfile.write(path.with_name("new.wav"), np.column_stack([wave, wave]), 48_000, subtype="FLOAT")
    path.with_name("new.wav").replace(path)


def test_what_a_killed_engine_measured_is_not_lost(start, tone: SourceRequest) -> None:
    """The next one hears a quiet tone only; BS.1770-5 Annex 1: -10 dBFS in both channels reads -10 LUFS."""
    write_tone(Path(tone.name), -10.0)
    supervisor = start(EngineOrder(tone))
    until(supervisor, lambda frame: frame.status.frames > 5.5 * 48_000)
    write_tone(Path(tone.name), -40.0)
    first = supervisor.engine_pid
    assert first is not None
    os.kill(first, signal.SIGKILL)
    frame = until(
        supervisor, lambda frame: supervisor.engine_pid != first and frame.number("loudness.momentary") < -39
    )
    assert frame.number("loudness.integrated") == pytest.approx(-10.0, abs=0.1)
    assert frame.number("peaks.true_max") == pytest.approx(-10.0, abs=0.1)
    assert frame.number("loudness.measured") > 3.5
    assert frame.number("loudness.incomplete") == 1.0
    assert (frame.status.gaps, frame.status.state) == (1, "running")
    assert frame.status.lost_frames > 0.3 * 48_000
    assert "since-reset readings go on" in frame.status.sentence
    second = supervisor.engine_pid
    assert second is not None
    os.kill(second, signal.SIGKILL)
    supervisor.reset()  # to an engine that cannot hear it any more
    until(supervisor, lambda frame: frame.status.state == "starting")
    frame = until(
        supervisor, lambda frame: frame.status.state == "running" and frame.number("loudness.momentary") < -39
    )
    assert frame.status.gaps == 1
    assert frame.number("peaks.true_max") == pytest.approx(-40.0, abs=0.1)
    assert "since-reset readings restarted" in frame.status.sentence


def test_a_meter_that_kills_engines_when_it_takes_something_back_costs_the_others_nothing(
    start, tone: SourceRequest, tmp_path: Path
) -> None:
    fatal = write_meter(tmp_path / "fatal", "fatal")
    with (fatal / "process.py").open("a", encoding="utf-8") as file:
        file.write("\n    def save_state(self):\n        return {'total': self.total}\n")
        file.write("\n    def restore_state(self, kept):\n        __import__('ctypes').string_at(0)\n")
    supervisor = start(EngineOrder(tone, folders=(str(fatal),)))
    until(supervisor, lambda frame: frame.status.frames > 4.5 * 48_000)
    first = supervisor.engine_pid
    assert first is not None
    os.kill(first, signal.SIGKILL)
    frame = until(supervisor, lambda frame: "fatal" in frame.status.quarantined and frame.number("vu.max") > -3, 60.0)
    assert "the engine ended while it was at work" in frame.status.quarantined["fatal"]
    assert supervisor.restarts == 2, "the first was killed by this test"
    assert "restarted" not in frame.status.sentence
    # Counted on from what was kept, to the first frame that is heard again.
    until(supervisor, lambda frame: frame.status.state == "running" and frame.status.lost_frames > 0)


def test_a_stopped_engine_is_replaced(start, tone: SourceRequest) -> None:
    supervisor = start(EngineOrder(tone))
    until(supervisor, lambda frame: frame.status.state == "running")
    first = supervisor.engine_pid
    assert first is not None
    os.kill(first, signal.SIGSTOP)
    frame = until(supervisor, lambda frame: supervisor.engine_pid != first and frame.status.state == "running")
    assert "did not answer" in frame.status.sentence


def test_a_pause_of_both_sides_is_not_taken_for_a_dead_engine(start, tone: SourceRequest) -> None:
    """As when the machine sleeps: the window wakes first and finds a heartbeat of long ago."""
    supervisor = start(EngineOrder(tone))
    before = until(supervisor, lambda frame: frame.status.frames > 0)
    engine = supervisor.engine_pid
    assert engine is not None
    os.kill(engine, signal.SIGSTOP)
    time.sleep(HANG_SECONDS + 1.0)
    supervisor.poll()
    os.kill(engine, signal.SIGCONT)
    after = until(supervisor, lambda frame: frame.status.frames > before.status.frames)
    assert (supervisor.restarts, supervisor.engine_pid, after.status.sentence) == (0, engine, "")


def test_an_engine_that_takes_long_to_open_is_waited_for(start, tone: SourceRequest, tmp_path: Path) -> None:
    slow = write_meter(tmp_path / "slow", "slow")
    with (slow / "process.py").open("a", encoding="utf-8") as file:
        file.write(f"\n\ntime.sleep({HANG_SECONDS + 1.0})  # while the meters are loaded\n")
    supervisor = start(EngineOrder(tone, folders=(str(slow),)))
    frame = until(supervisor, lambda frame: frame.status.frames > 0)
    assert (supervisor.restarts, frame.status.sentence, frame.status.quarantined) == (0, "", {})


@pytest.mark.parametrize("where", ["process", "read"])
def test_a_meter_that_hangs_is_named_and_set_aside(start, tone: SourceRequest, tmp_path: Path, where: str) -> None:
    hang = write_meter(tmp_path / "hang", "hang", **{where: "time.sleep(60)"})
    supervisor = start(EngineOrder(tone, folders=(str(hang),)))
    frame = until(supervisor, lambda frame: "hang" in frame.status.quarantined and frame.number("vu.max") > -3)
    assert "it hung" in frame.status.quarantined["hang"]
    assert supervisor.restarts == 1


def test_a_meter_that_throws_is_named_and_the_others_go_on(start, tone: SourceRequest, tmp_path: Path) -> None:
    bad = write_meter(tmp_path / "bad", "bad", "raise ValueError('too loud for me')")
    good = write_meter(tmp_path / "good", "good")
    supervisor = start(EngineOrder(tone, folders=(str(bad), str(good))))
    frame = until(supervisor, lambda frame: "bad" in frame.status.quarantined and frame.number("good.total") > 1)
    assert "too loud for me" in frame.status.quarantined["bad"]
    assert np.isnan(frame.number("bad.total"))
    assert list(frame.status.quarantined) == ["bad"]


WAITS = {
    "asleep": "time.sleep(0.4)",
    "with the interpreter's lock": "import ctypes; ctypes.PyDLL(None).usleep(400_000)",
}


@pytest.mark.parametrize("wait", WAITS.values(), ids=WAITS)
def test_a_meter_that_waits_is_set_aside(start, tone: SourceRequest, tmp_path: Path, wait: str) -> None:
    slow = write_meter(tmp_path / "slow", "slow", wait)
    supervisor = start(EngineOrder(tone, folders=(str(slow),)))
    frame = until(supervisor, lambda frame: bool(frame.status.quarantined))
    why = frame.status.quarantined["slow"]
    assert "behind the sound" in why or "took longer than the sound" in why, "whichever is noticed first"
    assert supervisor.restarts == 0


def test_a_meter_that_loops_at_import_is_named_within_seconds(start, tone: SourceRequest, tmp_path: Path) -> None:
    loop = write_meter(tmp_path / "loop", "loop")
    (loop / "process.py").write_text("while True:\n    Meter = None\n", encoding="utf-8")
    supervisor = start(EngineOrder(tone, folders=(str(loop),)))
    frame = until(supervisor, lambda frame: "loop" in frame.status.quarantined and frame.number("vu.max") > -3)
    assert "it hung" in frame.status.quarantined["loop"]
    assert supervisor.restarts == 1


CRASH = "import ctypes; ctypes.string_at(0)"
"""What no guard in Python can refuse."""
CRASHES = {
    "after good blocks": ("self.total += 1.0\nif self.total > 30:\n    " + CRASH, ""),
    "while it is loaded": ("pass", CRASH),
    "in a thread": ("pass", f"import threading\ndef work():\n    {CRASH}\nthreading.Timer(1.0, work).start()"),
}


@pytest.mark.parametrize("kind", CRASHES)
def test_a_meter_that_ends_the_engine_costs_one_replacement(
    start, tone: SourceRequest, tmp_path: Path, kind: str
) -> None:
    body, at_import = CRASHES[kind]
    good = write_meter(tmp_path / "good", "good")
    fatal = write_hostile(tmp_path / "fatal", "fatal", Hostile({"process": body}, start=at_import))
    supervisor = start(EngineOrder(tone, folders=(str(good), str(fatal))))
    frame = until(supervisor, lambda frame: "fatal" in frame.status.quarantined and frame.number("good.total") > 1)
    assert list(frame.status.quarantined) == ["fatal"]
    assert "the engine ended while" in frame.status.quarantined["fatal"]
    assert supervisor.restarts == 1


def test_a_study_that_ends_the_engine_costs_one_replacement(start, tone: SourceRequest, tmp_path: Path) -> None:
    study = 'findings = "process:Found"\nfunction = "process:look"'
    fatal = write_hostile(
        tmp_path / "fatal",
        "fatal",
        Hostile(
            {"stretch": "return 1 if self.total > 1.0 else None"},
            start=f"import msgspec\nclass Found(msgspec.Struct):\n    pass\ndef look(*_):\n    {CRASH}\n",
            more=f'\n[[study]]\nkey = "look"\n{study}\n',
        ),
    )
    supervisor = start(EngineOrder(tone, folders=(str(fatal),)))
    frame = until(supervisor, lambda frame: "fatal" in frame.status.quarantined and frame.number("vu.max") > -3)
    assert "the engine ended while it was at work" in frame.status.quarantined["fatal"]
    assert supervisor.restarts == 1


REFUSED = {
    "ends": Hostile({"process": "import os; os._exit(1)"}),
    "kills": Hostile({"process": "import os; os.kill(os.getpid(), 9)"}),
    "ends_at_import": Hostile({}, start="import os\nos._exit(1)\n"),
    "ends_later": Hostile({}, start="import os, threading\nthreading.Timer(0.5, os._exit, (1,)).start()\n"),
    "forks": Hostile({"process": "import os; os.fork()"}),
    "floods": Hostile({"process": "print('x' * 500_000)"}),
}
COPIES = Hostile({"process": "self.total += 1\nif self.total == 3:\n    import ctypes; ctypes.PyDLL(None).fork()"})


def test_what_is_refused_costs_no_engine_and_a_copy_of_one_ends_at_once(
    start, tone: SourceRequest, tmp_path: Path
) -> None:
    folders = [write_hostile(tmp_path / name, name, hostile) for name, hostile in REFUSED.items()]
    folders += [write_hostile(tmp_path / "copies", "copies", COPIES), write_meter(tmp_path / "good", "good")]
    supervisor = start(EngineOrder(tone, folders=tuple(map(str, folders))))
    frame = until(supervisor, lambda frame: set(frame.status.quarantined) == set(REFUSED), 90.0)
    until(supervisor, lambda later: later.number("good.total") > frame.number("good.total"))
    assert supervisor.restarts == 0
    assert supervisor.engine_pid is not None
    copies = psutil.Process(supervisor.engine_pid).children()
    assert [copy for copy in copies if copy.status() != psutil.STATUS_ZOMBIE] == []


def test_a_meter_that_was_set_aside_measures_again_when_it_is_tried_again(
    start, tone: SourceRequest, tmp_path: Path
) -> None:
    fatal = write_hostile(tmp_path / "fatal", "fatal", Hostile({"process": CRASH}))
    supervisor = start(EngineOrder(tone, folders=(str(fatal),)))
    until(supervisor, lambda frame: "fatal" in frame.status.quarantined and frame.number("vu.max") > -3)
    write_hostile(tmp_path / "fatal", "fatal", Hostile({}))  # as its author corrects it
    supervisor.try_again("fatal")
    frame = until(supervisor, lambda frame: frame.number("fatal.total") > 1)
    assert frame.status.quarantined == {}
    assert (supervisor.restarts, supervisor.set_aside) == (1, {})


def end_at_once(*_order: object) -> None:
    """In the place of an engine."""
    os._exit(1)


def test_an_engine_that_always_dies_is_given_up_and_a_new_source_begins_again(
    start, tone: SourceRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(meter.engine.supervisor, "run_engine", end_at_once)
    supervisor = start(EngineOrder(tone))
    end = time.monotonic() + 60
    while supervisor.engine_pid is not None and time.monotonic() < end:
        supervisor.poll()
        time.sleep(0.02)
    assert supervisor.engine_pid is None
    monkeypatch.undo()
    supervisor.open(tone)
    until(supervisor, lambda frame: frame.status.state == "running")


def test_a_file_that_is_not_there_is_one_sentence(start, tmp_path: Path) -> None:
    supervisor = start(EngineOrder(SourceRequest("file", str(tmp_path / "gone.wav"))))
    frame = until(supervisor, lambda frame: frame.status.state == "failed")
    assert "gone.wav" in frame.status.sentence
    assert "\n" not in frame.status.sentence


WINDOW = """
import sys, time
from meter.audio.source import SourceRequest
from meter.engine.process import EngineOrder
from meter.engine.supervisor import HANG_SECONDS, Supervisor

if __name__ == "__main__":
    supervisor = Supervisor(EngineOrder(SourceRequest("file", sys.argv[1], {"loop": True})))
    while supervisor.take() is None:
        supervisor.poll()
        time.sleep(0.02)
    print(supervisor.engine_pid, flush=True)
    while True:
        supervisor.poll()
        time.sleep(0.05)
"""


def test_a_killed_window_leaves_no_engine_and_no_block(tone: SourceRequest, tmp_path: Path) -> None:
    script = tmp_path / "window.py"
    script.write_text(WINDOW, encoding="utf-8")
    with subprocess.Popen([sys.executable, str(script), tone.name], stdout=subprocess.PIPE, text=True) as window:
        assert window.stdout is not None
        engine = psutil.Process(int(window.stdout.readline()))
        assert len(blocks_of(window.pid)) == 1
        window.kill()
    engine.wait(timeout=12)
    end = time.monotonic() + 12
    while blocks_of(window.pid) and time.monotonic() < end:
        time.sleep(0.05)
    assert blocks_of(window.pid) == []


def test_further_instances_outlive_the_engine_with_their_settings_and_figures(start, tone: SourceRequest) -> None:
    """The next engine hears a quiet tone only: the maximum of the second instance is that of the one before."""
    write_tone(Path(tone.name), -10.0)
    supervisor = start(EngineOrder(tone))
    supervisor.use_instances((Instance("peaks_2", "peaks", "mix"), Instance("vu_2", "vu", "part absent")))
    supervisor.configure("peaks_2", {})
    supervisor.use_instances((Instance("peaks_2", "peaks", "mix"), Instance("vu_2", "vu", "mix")))
    supervisor.configure("vu_2", {"alignment_dbfs": -10.0})
    frame = until(supervisor, lambda frame: frame.number("peaks_2.true_max") > -11.0 and "vu_2.now" in frame)
    until(supervisor, lambda later: later.status.frames > frame.status.frames + 4 * 48_000)
    write_tone(Path(tone.name), -40.0)
    first = supervisor.engine_pid
    assert first is not None
    os.kill(first, signal.SIGKILL)
    frame = until(
        supervisor, lambda frame: supervisor.engine_pid != first and frame.number("loudness.momentary") < -39
    )
    assert frame.number("peaks_2.true_max") == pytest.approx(-10.0, abs=0.1)
    assert frame.number("vu_2.alignment") == -10.0
    supervisor.use_instances(())
    until(supervisor, lambda frame: "vu_2.now" not in frame)
    supervisor.use_instances((Instance("vu_2", "vu", "mix"),))
    until(supervisor, lambda frame: frame.number("vu_2.alignment") == -18.0)
