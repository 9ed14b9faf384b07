"""Commands that work in several processes: stopped in any way, they leave no process and print no traceback."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
import soundfile

from dsp.core.signals import tone
from meter.commands.interrupts import came_of_interrupt
from meter.commands.selftest import broken_topic, line_of, sums_of
from meter.commands.workers import work_through

POSIX = pytest.mark.skipif(os.name != "posix", reason="needs signals and process groups")
LINUX = pytest.mark.skipif(sys.platform != "linux", reason="needs /dev/full and /dev/shm")
WAYS = ("selftest", "measure")


def words_of(way: str, folder: Path) -> list[str]:
    if way == "selftest":
        return ["selftest"]
    for number in range(4):
        soundfile.write(folder / f"{number}.wav", tone(997.0, -20.0, 60.0, 48_000, 2), 48_000)
    return ["measure", str(folder), "--jobs", "4"]


def command(*words: str, **streams: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "meter", *words], stderr=subprocess.PIPE, text=True, start_new_session=True, **streams
    )  # type: ignore[call-overload]


def children_of(running: subprocess.Popen[str], count: int) -> list[psutil.Process]:
    """At least so many, waited for."""
    end = time.monotonic() + 60.0
    while time.monotonic() < end and running.poll() is None:
        if len(children := psutil.Process(running.pid).children(recursive=True)) >= count:
            return children
        time.sleep(0.01)
    raise AssertionError(f"only {running.poll()} after 60 s")


def semaphores() -> set[str]:
    return {path.name for path in Path("/dev/shm").glob("sem.*")}


@LINUX
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_a_command_that_is_killed_leaves_no_process_and_no_semaphore(
    way: str, how: signal.Signals, tmp_path: Path
) -> None:
    before = semaphores()
    with command(*words_of(way, tmp_path), stdout=subprocess.DEVNULL) as running:
        children = children_of(running, 3)
        os.kill(running.pid, how)
        running.wait(timeout=30.0)
        _, alive = psutil.wait_procs(children, timeout=30.0)
        for process in alive:
            process.kill()
    assert alive == []
    assert semaphores() - before == set()


def wait_for_library(running: subprocess.Popen[str], name: str) -> list[psutil.Process]:
    """Wait until one of the children has loaded a library of this name, so that it is in the midst of its imports."""
    end = time.monotonic() + 60.0
    while time.monotonic() < end and running.poll() is None:
        children = psutil.Process(running.pid).children(recursive=True)
        for child in children:
            with contextlib.suppress(OSError):
                if name in Path(f"/proc/{child.pid}/maps").read_text(encoding="utf-8"):
                    return children
    raise AssertionError(f"no child loaded {name}; the command ended with {running.poll()}")


@LINUX
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("library", ["libc.so", "_struct", "_multiarray_umath", "_fblas"])
def test_ctrl_c_to_the_group_prints_no_traceback(way: str, library: str, tmp_path: Path) -> None:
    """The children are interrupted while they load, at different points of it."""
    with command(*words_of(way, tmp_path), stdout=subprocess.DEVNULL) as running:
        children = wait_for_library(running, library)
        for child in children:
            child.send_signal(signal.SIGINT)
        # On a busy machine the command hears it later than they do.
        psutil.wait_procs(children, timeout=1.0)
        os.killpg(running.pid, signal.SIGINT)
        _, said = running.communicate(timeout=60.0)
        _, alive = psutil.wait_procs(children, timeout=30.0)
    assert (running.returncode, said) == (130, "")
    assert alive == []


@POSIX
def test_several_ctrl_c_print_no_traceback(tmp_path: Path) -> None:
    with command("selftest", stdout=subprocess.DEVNULL) as running:
        children_of(running, 3)
        for _ in range(20):
            try:
                os.killpg(running.pid, signal.SIGINT)
            except ProcessLookupError:
                break
        _, said = running.communicate(timeout=60.0)
    assert (running.returncode, said) == (130, "")


LATE_INTERRUPT = """
import os, signal, sys
from meter.commands.interrupts import end_quietly

class Late:
    def __del__(self, kill=os.kill, own=os.getpid(), number=signal.SIGINT):
        kill(own, number)

end_quietly()
late = Late()
sys.exit(130)
"""
"""Modules are taken down after Python gave up its handlers of signals."""


@POSIX
def test_ctrl_c_while_the_program_ends_keeps_its_exit_code() -> None:
    ended = subprocess.run([sys.executable, "-c", LATE_INTERRUPT], capture_output=True, text=True, timeout=60.0)
    assert (ended.returncode, ended.stdout, ended.stderr) == (130, "", "")


@POSIX
def test_ctrl_c_outside_the_command_keeps_its_exit_code() -> None:
    words = "from meter.commands.interrupts import end_quietly; end_quietly(); raise KeyboardInterrupt"
    ended = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, timeout=60.0)
    assert (ended.returncode, ended.stdout, ended.stderr) == (130, "", "")


@LINUX
def test_the_self_test_into_a_full_output_is_one_sentence() -> None:
    with Path("/dev/full").open("w") as full, command("selftest", stdout=full) as running:
        _, said = running.communicate(timeout=120.0)
    assert running.returncode == 1
    assert said.count("\n") == 1
    assert "No space left on device" in said


def letters(word: str) -> Iterator[str]:
    for letter in word:
        if letter == "!":
            os._exit(3)
        if letter == "?":
            raise ValueError(word)
        yield letter


def test_work_comes_in_the_order_of_its_items_and_what_breaks_is_told() -> None:
    found = list(work_through(letters, ["ab", "c?d", "e!f", "", "gh"], lambda item, why: f"{item}: {why}", 2))
    assert found[:3] == ["a", "b", "c"]
    assert found[3] == "c?d: ValueError: c?d"
    # What a process had sent before it died may be lost with it or not; that it died is told either way.
    assert found[-3].startswith("e!f: ")
    assert found[-2:] == ["g", "h"]


def test_a_topic_that_breaks_off_is_a_miss() -> None:
    broken = broken_topic("levels", "the process was ended")
    assert sums_of([broken], 1.0)["missed"] == 1
    assert "the process was ended" in line_of(broken)


def test_an_error_that_an_interrupt_became_is_no_error() -> None:
    """A library that fails to load because of Ctrl-C raises an ImportError of its own."""
    error = ImportError("the core did not load")
    error.__cause__ = KeyboardInterrupt()
    assert came_of_interrupt(error)
    assert not came_of_interrupt(ImportError("it is not there"))
