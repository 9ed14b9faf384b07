"""Whether a window can open is found out before Qt, which would end the process, is asked."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from meter.commands import screen

ABSENT = ":7919"


@pytest.fixture(autouse=True)
def _no_screen(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for name in ("QT_QPA_PLATFORM", "WAYLAND_DISPLAY", "DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    monkeypatch.setattr(sys, "platform", "linux")


def test_without_a_display_there_is_none() -> None:
    assert screen.why_no_screen() == "There is no display here"


def test_other_systems_have_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "darwin")
    assert screen.why_no_screen() == ""


def test_a_platform_without_a_display_server_is_taken_at_its_word(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    assert screen.why_no_screen() == ""


def test_a_platform_with_a_display_server_needs_that_server(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("QT_QPA_PLATFORM", "xcb")
    assert screen.why_no_screen() == "There is no display here"


def test_a_display_of_wayland_that_answers_is_a_screen(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("WAYLAND_DISPLAY", "wayland-0")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(tmp_path / "wayland-0"))
        server.listen()
        assert screen.why_no_screen() == ""
    assert "wayland-0 does not answer" in screen.why_no_screen()


def test_a_display_of_an_impossible_name_does_not_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WAYLAND_DISPLAY", "w" * 300)
    assert "does not answer" in screen.why_no_screen()


def test_a_display_of_wayland_without_a_session_does_not_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WAYLAND_DISPLAY", "wayland-0")
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    assert "wayland-0 does not answer" in screen.why_no_screen()


def test_without_the_library_to_ask_it_a_display_is_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(_name: str) -> None:
        raise OSError("no such library")

    monkeypatch.setenv("DISPLAY", ABSENT)
    monkeypatch.setattr("ctypes.CDLL", missing)
    assert screen.why_no_screen() == ""


def test_a_display_that_does_not_answer_is_one_sentence_and_no_crash(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "meter", "window"],
        env={**os.environ, "DISPLAY": ABSENT}, capture_output=True, text=True, timeout=90, check=False,
    )  # fmt: skip
    assert done.returncode == 3
    assert done.stderr == (
        f"The display {ABSENT} does not answer, or not to this account;"
        " use “earwitness demo --headless” or “earwitness measure FILE”.\n"
    )


@pytest.mark.screen
@pytest.mark.skipif(shutil.which("Xvfb") is None, reason="needs Xvfb")
def test_a_display_that_answers_is_a_screen(monkeypatch: pytest.MonkeyPatch) -> None:
    reading, writing = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(writing), "-nolisten", "tcp"], pass_fds=[writing], stderr=subprocess.DEVNULL
    )
    os.close(writing)
    try:
        with os.fdopen(reading) as said:
            monkeypatch.setenv("DISPLAY", f":{said.readline().strip()}")
        assert screen.why_no_screen() == ""
    finally:
        server.terminate()
        server.wait()
