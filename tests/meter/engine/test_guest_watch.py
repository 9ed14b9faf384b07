"""What meters by others do beside their calls: forbidden calls, threads, memory and output, within this process."""

from __future__ import annotations

import mmap
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

import meter.engine.guest_watch
from meter.engine import forbidden_calls
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter, Timing
from meter.engine.guest_output import FLOOD, GuestOutput
from meter.engine.guest_watch import GROWTH_BYTES, GuestWatch, cpu_seconds
from meter.engine.guests import Guests
from meter.engine.memory import resident_bytes
from meter.engine.messages import GuestThreads
from meter.plugin.host import discover
from tests.support.hostile import Hostile, write_hostile

BLOCK = np.full((480, 2), 0.1)


class Bench:
    """A chain of guests with their watch, and a clock that the test sets."""

    def __init__(self, *folders: Path, **more: object) -> None:
        plugins = discover(folders, installed=False)
        self.meters = [GuardedMeter(plugin, Timing()) for plugin in plugins]
        self.sent: list[GuestThreads] = []
        self.guests = Guests.among(plugins)
        self.watch = GuestWatch(self.guests, self.meters, self.sent.append, **more)  # type: ignore[arg-type]
        self.watch.install()
        self.chain = Chain(self.meters, 48_000, 2, {"mix": (0, 1)})
        self.now = 0.0

    def block(self, seconds: float = 1.0) -> dict[str, str]:
        """One block and the look of the watch after it; the faults."""
        self.chain.process(BLOCK)
        self.now += seconds
        self.watch.attend(self.now)
        return self.chain.faults


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    made: list[Bench] = []

    def bench(hostile: Hostile, **more: object) -> Bench:
        good = write_hostile(tmp_path / "good", "good", Hostile({}))
        made.append(Bench(good, write_hostile(tmp_path / "bad", "bad", hostile), **more))
        return made[-1]

    yield bench
    for each in made:
        each.watch.remove()


CALLS = {
    "os._exit": "import os; os._exit(1)",
    "the module behind os": "import posix; posix._exit(1)",
    "os.abort": "import os; os.abort()",
    "a signal to itself": "import os, signal; os.kill(os.getpid(), signal.SIGKILL)",
    "a signal to the window": "import os, signal; os.kill(os.getppid(), signal.SIGTERM)",
    "a signal to the group": "import os, signal; os.killpg(os.getpgrp(), signal.SIGTERM)",
    "a raised signal": "import signal; signal.raise_signal(signal.SIGTERM)",
    "an alarm": "import signal; signal.alarm(1)",
    "a fork": "import os; os.fork()",
    "a program in its place": "import os; os.execv('/bin/true', ['true'])",
    "a limit": "import resource; resource.setrlimit(resource.RLIMIT_CPU, (1, 1))",
    "code from text": "exec('import os; os._exit(1)')",
    "a process that is forked": "import multiprocessing; multiprocessing.get_context('fork').Process().start()",
}


@pytest.mark.parametrize("call", CALLS)
def test_a_call_that_would_end_or_copy_the_process_is_refused(make, call: str) -> None:
    # In a copy of the process the test must not go on: that is what is refused.
    pid = os.getpid()
    bench = make(Hostile({"process": CALLS[call]}))
    faults = bench.block()
    if os.getpid() != pid:
        forbidden_calls.END_PROCESS(0)
    assert list(faults) == ["bad"]
    assert "it tried to" in faults["bad"]
    assert "process.py, line" in faults["bad"]


def test_what_it_hides_is_noted_all_the_same(make) -> None:
    bench = make(Hostile({"process": "try:\n    import os; os._exit(1)\nexcept BaseException:\n    pass"}))
    assert bench.block()["bad"] == "Meter “Meter bad” is set aside: it tried to end the program (os._exit)."


def test_calls_of_ours_and_harmless_ones_go_through(make) -> None:
    bench = make(Hostile({"process": "import os; os.kill(os.getpid(), 0); os.kill(os.getppid(), 0)"}))
    assert bench.block() == {}
    heard = []
    before = signal.signal(signal.SIGUSR1, lambda *_: heard.append(1))
    os.kill(os.getpid(), signal.SIGUSR1)
    signal.raise_signal(signal.SIGUSR1)
    signal.signal(signal.SIGUSR1, before)
    assert len(heard) == 2


def test_everything_is_as_before_when_the_watch_is_removed(make) -> None:
    before = (os._exit, os.abort, signal.raise_signal, threading.excepthook, sys.stdout, sys.stderr)
    bench = make(Hostile({}))
    assert os._exit is not before[0]
    bench.watch.remove()
    assert (os._exit, os.abort, signal.raise_signal, threading.excepthook, sys.stdout, sys.stderr) == before


def joined(bench: Bench) -> None:
    """Wait for the threads of the guests."""
    for thread in threading.enumerate():
        if bench.guests.of_thread(thread):
            thread.join(10.0)


THREADS = {
    "that ends the process": ("import os; os._exit(1)", "it tried to end the program"),
    "that fails": ("raise ValueError('no')", "a thread of it failed (ValueError: no; process.py, line 3)"),
}


@pytest.mark.parametrize("kind", THREADS)
def test_a_thread(make, kind: str) -> None:
    body, says = THREADS[kind]
    start = f"import threading\ndef work():\n    {body}\n"
    bench = make(Hostile({"prepare": "self.total = 0.0; threading.Thread(target=work).start()"}, start=start))
    joined(bench)
    assert says in bench.block()["bad"]
    assert list(bench.chain.faults) == ["bad"]


def test_a_timer_that_calls_nothing_of_its_own_is_still_its_thread(make) -> None:
    body = "self.total = 0.0; import threading, os; threading.Timer(0.01, os._exit, (1,)).start()"
    bench = make(Hostile({"prepare": body}))
    joined(bench)
    assert "it tried to end the program (os._exit)" in bench.block()["bad"]


def test_threads_are_told_and_one_that_uses_a_core_is_ended(make) -> None:
    start = "import threading, time\ndef work():\n    while True:\n        time.sleep(0.001)\n"
    body = "self.total = 0.0; threading.Thread(target=work, daemon=True).start()"
    used = iter(range(0, 100, 3))
    bench = make(Hostile({"prepare": body}, start=start), seconds_of=lambda _thread: float(next(used)))
    bench.block()
    assert bench.sent[-1] == GuestThreads(("bad",))
    for _ in range(5):
        faults = bench.block()
    assert faults["bad"].endswith("is set aside: its threads used 60% of a processor core for 5 s.")
    joined(bench)
    bench.block()
    assert bench.sent[-1] == GuestThreads(())


def test_a_quiet_thread_of_a_guest_is_left_alone(make) -> None:
    body = "import threading; self.total = 0.0; threading.Thread(target=threading.Event().wait, args=(5,)).start()"
    bench = make(Hostile({"prepare": body}), seconds_of=lambda _thread: 0.1)
    for _ in range(12):
        assert bench.block() == {}


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems do not tell")
def test_the_time_of_a_thread_is_what_it_computed() -> None:
    before = cpu_seconds(threading.current_thread())
    end = threading.Event()
    while cpu_seconds(threading.current_thread()) < before + 0.05:
        end.is_set()
    waiting = threading.Thread(target=end.wait)
    waiting.start()
    assert cpu_seconds(waiting) < 0.05
    end.set()
    waiting.join()
    for _ in range(1000):  # the system may show it for a moment after Python let it go
        if np.isnan(cpu_seconds(waiting)):
            return
        threading.Event().wait(0.01)
    raise AssertionError("a thread that ended still has a time")


def test_a_meter_that_keeps_taking_memory_is_set_aside_and_its_memory_freed(make, monkeypatch) -> None:
    monkeypatch.setattr(meter.engine.guest_watch, "GROWTH_BYTES", 20_000_000)
    monkeypatch.setattr(meter.engine.guest_watch, "GROWN_IN_CALLS_BYTES", 10_000_000)
    # Pages of its own: the process may hold freed memory that it would take otherwise.
    take = "import mmap; self.kept.append(mmap.mmap(-1, 5_000_000)); self.kept[-1].write(bytes(5_000_000))"
    bench = make(Hostile({"prepare": "self.total, self.kept = 0.0, []", "process": take}))
    for _ in range(15):
        faults = bench.block()
    assert "it keeps taking memory; this engine grew by" in faults["bad"]
    assert list(faults) == ["bad"]
    assert bench.meters[1].fault
    assert bench.meters[1]._processor is None


def test_memory_that_others_take_is_no_fault_of_a_guest(make) -> None:
    used = iter(range(0, 10**13, 10 * GROWTH_BYTES))
    held = [0]

    def memory() -> int:
        return held[0]

    bench = make(Hostile({}), memory=memory)
    for _ in range(20):
        held[0] = next(used)  # between two blocks
        assert bench.block() == {}


def test_memory_is_that_of_this_process() -> None:
    before = resident_bytes()
    with mmap.mmap(-1, 30_000_000) as kept:  # pages of its own, not freed memory that is taken again
        kept.write(bytes(30_000_000))
        assert resident_bytes() - before > 27_000_000


def test_megabytes_of_print_are_dropped_and_set_the_meter_aside(make, tmp_path: Path, monkeypatch) -> None:
    with (tmp_path / "out").open("w", encoding="utf-8") as stream:
        monkeypatch.setattr(sys, "stderr", stream)
        print_a_flood(make(Hostile({"process": f"print('x' * {FLOOD // 10 - 1})"})))
    out = (tmp_path / "out").read_text(encoding="utf-8")
    assert len(out) < 1000
    assert "printed more; the rest is not shown" in out


def print_a_flood(bench: Bench) -> None:
    for _ in range(10):
        assert "bad" not in bench.block(0.1)
    assert "it printed over 2 MB within 10 s" in bench.block(0.1)["bad"]
    bench.watch.remove()


def test_a_line_of_a_guest_goes_to_standard_error_and_what_is_ours_is_not_touched(
    make, tmp_path: Path, monkeypatch
) -> None:
    """Standard output may be the JSON of a command."""
    with (tmp_path / "out").open("w", encoding="utf-8") as out, (tmp_path / "err").open("w", encoding="utf-8") as err:
        monkeypatch.setattr(sys, "stdout", out)
        monkeypatch.setattr(sys, "stderr", err)
        bench = make(Hostile({"process": "print('peak', 3)"}))
        print("y" * 3 * FLOOD)
        for _ in range(100):
            assert bench.block() == {}
        bench.watch.remove()
    assert (tmp_path / "out").read_text(encoding="utf-8") == "y" * 3 * FLOOD + "\n"
    assert (tmp_path / "err").read_text(encoding="utf-8") == "peak 3\n" * 100


def test_a_pipe_that_nobody_reads_keeps_no_guest_waiting(make) -> None:
    reading, writing = os.pipe()
    with os.fdopen(writing, "w") as stream:
        bench = make(Hostile({"process": "print('x' * 1500)"}))
        sys.stdout = GuestOutput(stream, bench.guests, stream)
        for _ in range(500):
            bench.block(0.1)
        os.close(reading)


REPLACES = {
    "a function": ("import dsp.core.units\ndsp.core.units.power_to_db = lambda _: 0.0", "dsp.core.units.power_to_db"),
    "a method": (
        "from meter.engine.chain import Chain\nChain.skip = lambda *_: None", "meter.engine.chain.Chain.skip",
    ),
    "the code of a function": (
        "from meter.figures import figure\nfigure.__code__ = (lambda *_: '0.0').__code__", "meter.figures.figure",
    ),
    "a constant": ("import dsp.core.types as types\ntypes.TICKS_PER_SECOND = 7", "dsp.core.types.TICKS_PER_SECOND"),
    "what a name of numpy stands for": ("import numpy\nnumpy.square = numpy.sqrt", "numpy.square"),
    "a function that is gone": ("import meter.figures\ndel meter.figures.figure", "meter.figures.figure"),
    "errors of numpy": ("import numpy\nnumpy.seterr(all='raise')", "numpy's handling of errors"),
    "the recursion limit": ("import sys\nsys.setrecursionlimit(300)", "the recursion limit"),
    "a trace": ("import sys\nsys.setprofile(lambda *_: None)", "the profile function"),
}  # fmt: skip


def of_ours() -> list[object]:
    """What the guests above replace or change."""
    import sys as system

    import dsp.core.types
    import dsp.core.units
    import meter.figures

    chained = (Chain.skip, dsp.core.units.power_to_db, meter.figures.figure, meter.figures.figure.__code__)
    state = (dict(np.geterr()), system.getrecursionlimit(), system.getprofile())
    return [*chained, dsp.core.types.TICKS_PER_SECOND, np.square, *state]


@pytest.mark.parametrize("kind", REPLACES)
@pytest.mark.parametrize("when", ["at import", "while it is prepared"])
def test_what_a_guest_replaces_is_put_back_at_once(make, kind: str, when: str) -> None:
    code, names = REPLACES[kind]
    before = of_ours()
    bodies = {"prepare": f"self.total = 0.0\n{code}"} if when == "while it is prepared" else {}
    bench = make(Hostile(bodies, start=code if when == "at import" else ""))
    assert of_ours() == before
    assert f"is set aside: it {'changed' if ' ' in names else 'replaced'} {names}" in bench.chain.faults["bad"]
    assert list(bench.chain.faults) == ["bad"]
    assert list(bench.block()) == ["bad"]


def test_what_is_replaced_during_a_block_is_put_back_within_a_second_and_said(make) -> None:
    before = of_ours()
    body = "import numpy\nnumpy.square = lambda *_: 0.0\nself.total += 1.0"
    bench = make(Hostile({"process": body}))
    assert "it replaced numpy.square; that is undone, and the last second may be measured" in bench.block()["bad"]
    assert list(bench.chain.faults) == ["bad"]
    assert of_ours() == before


def test_modules_that_are_loaded_late_are_no_change(make) -> None:
    bench = make(Hostile({"process": "import wave, dsp.lowend.hum"}))
    for _ in range(5):
        assert bench.block() == {}
