"""Servers and drivers that do not answer: each question has a deadline, and what is known is printed meanwhile."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from collections import namedtuple
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from meter.audio import driver_query, pulse
from meter.audio.driver_query import DriverQuery
from meter.audio.pulse import PulseServer, PulseSink
from meter.audio.source import SourceError
from meter.commands import doctor, screen
from tests.live.server import ServerUnavailableError, Sink, SoundServer

LINUX = pytest.mark.skipif(sys.platform != "linux", reason="needs pactl and signals")
Usage = namedtuple("Usage", ("total", "used", "free"))
PATIENCE_SECONDS = 60.0
"""Far more than any deadline; no claim about speed."""
LISTS = """
class PortAudioError(Exception):
    pass

class default:
    device = [0, -1]

def query_hostapis():
    return [{"name": "ALSA", "default_input_device": 0}]

def query_devices():
    return [{"name": "Gerät", "hostapi": 0, "max_input_channels": 2, "default_samplerate": 48000.0}]
"""
HANGS = "import time\nwhile True:\n    time.sleep(3600)\n"
HOLDS_THE_INTERPRETER = "import re\nre.match('(a+)+$', 'a' * 60 + 'b')\n"
"""Backtracks without end, in one call that lets no other thread run."""
ENDS = "import os\nos._exit(5)\n"
REFUSES = "raise OSError('PortAudio library not found')\n"


def with_library(monkeypatch: pytest.MonkeyPatch, folder: Path, source: str) -> None:
    """A library of our own in place of the real one, in the child."""
    folder.mkdir()
    (folder / "sounddevice.py").write_text(source, encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(folder))


def test_the_child_lists_what_the_library_has(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with_library(monkeypatch, tmp_path / "library", LISTS)
    with DriverQuery() as query:
        [device] = query.inputs()
    assert (device.name, device.host_api, device.channels, device.rate_hz) == ("Gerät", "ALSA", 2, 48_000)
    assert device.is_default


@pytest.mark.parametrize("source", [HANGS, HOLDS_THE_INTERPRETER], ids=["waits", "holds the interpreter"])
def test_a_driver_that_hangs_is_one_sentence(source: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with_library(monkeypatch, tmp_path / "library", source)
    monkeypatch.setattr(driver_query, "ANSWER_SECONDS", 0.2)
    with DriverQuery() as query, pytest.raises(SourceError, match=r"has not answered for 0\.2 s.*restart"):
        query.inputs()


def test_a_driver_that_ends_the_process_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with_library(monkeypatch, tmp_path / "library", ENDS)
    with DriverQuery() as query, pytest.raises(SourceError, match="ended the program that asked"):
        query.inputs()


def test_a_missing_library_is_the_line_that_installs_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with_library(monkeypatch, tmp_path / "library", REFUSES)
    with DriverQuery() as query, pytest.raises(SourceError, match="PortAudio is not installed: "):
        query.inputs()


def command(*words: str, environment: Mapping[str, str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "meter", *words], env={**os.environ, **environment},
        capture_output=True, text=True, timeout=PATIENCE_SECONDS, check=False,
    )  # fmt: skip


@pytest.fixture
def stopped_server() -> Iterator[dict[str, str]]:
    """The environment of a sound server that is stopped, so that it takes connections and answers nothing."""
    try:
        with SoundServer(Sink("front")) as server:
            pid = server._process.pid
            os.kill(pid, signal.SIGSTOP)
            try:
                yield dict(os.environ)
            finally:
                os.kill(pid, signal.SIGCONT)
    except ServerUnavailableError as error:
        pytest.skip(str(error))


@LINUX
@pytest.mark.parametrize("name", ["devices", "doctor"])
def test_a_stopped_sound_server_ends_no_command(name: str, stopped_server: dict[str, str]) -> None:
    done = command(name, environment=stopped_server)
    assert done.returncode == (0 if name == "devices" else done.returncode)
    assert "The sound server has not answered for 3 s; restart it" in done.stdout
    assert "Traceback" not in done.stderr


ONE_AND_AN_END = {
    "doctor": "doctor.examine = lambda: iter([doctor.Finding('thing', True, 'is there')])",
    "devices": "devices.surveyed = lambda: iter([Listing((SourceEntry('device', 'thing', 'thing'),))])",
}


@pytest.mark.parametrize("form", ["", "--json"])
@pytest.mark.parametrize("name", ONE_AND_AN_END)
def test_what_is_known_is_printed_at_once(name: str, form: str) -> None:
    """The process ends without writing out what is still in hand, right after the first finding: it was written."""
    code = f"""
import itertools, os
from meter.audio.listing import Listing, SourceEntry
from meter.cli import main
from meter.commands import devices, doctor
{ONE_AND_AN_END[name]}
first = {name}.{"examine" if name == "doctor" else "surveyed"}()
{name}.{"examine" if name == "doctor" else "surveyed"} = lambda: (
    each if each else os._exit(7) for each in itertools.chain(first, [None])
)
main({[name, *([form] if form else [])]!r})
"""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=PATIENCE_SECONDS, check=False
    )
    assert done.returncode == 7, done.stderr
    assert "thing" in done.stdout


@LINUX
def test_the_doctor_says_that_no_server_answers(tmp_path: Path) -> None:
    away = {"PULSE_SERVER": f"unix:{tmp_path}/none", "XDG_RUNTIME_DIR": str(tmp_path)}
    done = command("doctor", "--json", environment=away)
    found = {item["name"]: item for item in map(json.loads, done.stdout.splitlines())}
    assert not found["what plays on an output"]["good"]
    assert "No sound server answers" in found["what plays on an output"]["words"]
    assert "start it with" in found["what plays on an output"]["words"]
    assert not found["sound input"]["good"]


@LINUX
def test_the_doctor_counts_the_outputs_of_a_server(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("shutil.which", lambda name: f"/usr/bin/{name}")
    sinks = (PulseSink("a", "A", 0.0, True), PulseSink("b", "B", 0.0, True))
    monkeypatch.setattr(doctor, "query_server", lambda: PulseServer((), sinks, "a", is_pipewire=True))
    assert doctor._what_plays().good
    assert "PipeWire answers with 2 outputs" in doctor._what_plays().words
    monkeypatch.setattr(doctor, "query_server", lambda: PulseServer((), (), ""))
    assert not doctor._what_plays().good
    assert "PulseAudio answers with no output" in doctor._what_plays().words


@LINUX
def test_a_display_that_takes_the_connection_and_says_nothing_is_no_display(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("QT_QPA_PLATFORM", "WAYLAND_DISPLAY"):
        monkeypatch.setenv(name, "")
    monkeypatch.setattr(screen, "ANSWER_SECONDS", 0.2)
    with socket.socket(socket.AF_UNIX) as silent:
        silent.bind(str(tmp_path / "X"))
        silent.listen()
        monkeypatch.setenv("DISPLAY", f"unix:{tmp_path / 'X'}")
        assert "does not answer" in screen.why_no_screen()


def test_a_full_disk_is_told_by_the_doctor(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(doctor.shutil, "disk_usage", lambda _folder: Usage(100, 100, 0))
    folders = doctor._folders()
    assert not folders.good
    assert "is full" in folders.words
    assert "Free some space" in folders.fix


def test_every_question_to_a_server_has_three_seconds() -> None:
    assert pulse.ANSWER_SECONDS == driver_query.ANSWER_SECONDS == screen.ANSWER_SECONDS == 3.0
