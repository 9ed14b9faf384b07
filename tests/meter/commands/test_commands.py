"""The other commands through the real program: exit codes, one sentence on errors, JSON that a machine can read."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from meter.cli import COMMANDS, main
from meter.commands import doctor, screen
from tests.support.plugins import write_meter

ROOT = Path(__file__).parents[3]


def run(*words: str, seconds: float = 90.0, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "meter", *words],
        env={**os.environ, **environment}, capture_output=True, text=True, timeout=seconds, check=False,
    )  # fmt: skip


def without_screen() -> dict[str, str]:
    return {"DISPLAY": "", "WAYLAND_DISPLAY": "", "QT_QPA_PLATFORM": ""}


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert ended.value.code == 0
    assert f"earwitness {name}" in capsys.readouterr().out


def test_an_unknown_command_is_wrong_input(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["listen-harder"])
    assert ended.value.code == 2
    assert "listen-harder" in capsys.readouterr().err


def test_plugins_lists_ours_and_the_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good, bad = write_meter(tmp_path / "good", "good"), tmp_path / "bad"
    bad.mkdir()
    assert main(["plugins", "--json", "--plugins", str(good), "--plugins", str(bad)]) == 0
    found = {item["id"]: item for item in map(json.loads, capsys.readouterr().out.splitlines())}
    assert found["loudness"]["usable"]
    assert found["good"]["readings"] == ["good.total"]
    assert not found["bad"]["usable"]
    assert "cannot be read" in found["bad"]["refusal"]


def test_devices_on_a_machine_without_a_sound_server_says_the_mend(tmp_path: Path) -> None:
    done = run("devices", "--json", PULSE_SERVER=f"unix:{tmp_path}/none", XDG_RUNTIME_DIR=str(tmp_path))
    assert done.returncode == 0
    said = [item["missing"] for item in map(json.loads, done.stdout.splitlines()) if "missing" in item]
    assert any("sound server" in sentence for sentence in said)
    assert "Traceback" not in done.stderr


def test_devices_lists_what_the_machine_offers(tmp_path: Path) -> None:
    entry = {"kind": "device", "name": "Desk", "label": "Desk", "channels": 8, "rate_hz": 48000, "host_api": "ALSA"}
    fake = tmp_path / "devices.json"
    fake.write_text(json.dumps({"sources": [entry], "missing": []}), encoding="utf-8")
    done = run("devices", EARWITNESS_FAKE_DEVICES=str(fake))
    assert done.returncode == 0
    assert "Desk" in done.stdout
    assert "48,000 Hz, 8 channels" in done.stdout


def test_devices_tells_an_output_from_an_input_of_the_same_name(tmp_path: Path) -> None:
    one = {"kind": "monitor", "name": "a", "label": "Box", "channels": 2, "rate_hz": 48000}
    two = {**one, "name": "@DEFAULT_MONITOR@", "label": "the default output", "now": "Box", "loopback": True}
    fake = tmp_path / "devices.json"
    fake.write_text(json.dumps({"sources": [two, {**one, "loopback": True}, one], "missing": []}), encoding="utf-8")
    lines = run("devices", EARWITNESS_FAKE_DEVICES=str(fake)).stdout.splitlines()
    assert [line.partition("(")[0].split(maxsplit=1)[1].strip() for line in lines] == [
        "what plays on the default output, now Box", "what plays on Box", "Box",
    ]  # fmt: skip


@pytest.mark.parametrize("file", ["nofile.wav", "", "words.wav"], ids=["none", "folder", "no sound"])
def test_the_window_on_a_file_that_is_none_is_one_sentence_and_code_2(tmp_path: Path, file: str) -> None:
    (tmp_path / "words.wav").write_text("not sound", encoding="utf-8")
    done = run("window", str(tmp_path / file), QT_QPA_PLATFORM="offscreen")
    assert done.returncode == 2
    assert (file or tmp_path.name) in done.stderr
    assert done.stderr.count("\n") == 1


def test_the_window_without_a_screen_is_one_sentence_and_code_3() -> None:
    done = run("window", **without_screen())
    assert done.returncode == 3
    assert len(done.stderr.strip().splitlines()) == 1
    assert "no display" in done.stderr


def test_the_demo_for_a_few_seconds_as_json() -> None:
    done = run("demo", "--headless", "--seconds", "4", "--json", **without_screen())
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(lines) >= 3
    last = lines[-1]
    assert (last["source"], last["rate_hz"], last["channels"], last["lost_frames"]) == ("demo", 48_000, 2, 0)
    assert -40.0 < last["loudness.integrated_lufs"] < -10.0
    assert -30.0 < last["peaks.true_max_dbtp"] < 0.0


def test_the_demo_without_a_screen_draws_the_page_into_a_file(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "meter", "demo", "--seconds", "4"],
        env={**os.environ, **without_screen()}, cwd=tmp_path, capture_output=True, text=True, timeout=90, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    first, *rest = done.stdout.splitlines()
    assert "no display" in first
    assert any(line.startswith("Loudness ") and " LUFS " in line for line in rest)
    assert str(tmp_path / "earwitness-demo.png") in done.stdout
    assert (tmp_path / "earwitness-demo.png").read_bytes().startswith(b"\x89PNG")


def test_the_plainest_locale_is_no_reason_for_words_about_it(tmp_path: Path) -> None:
    words = "from meter.app import draw_page; print(draw_page([], 'page.png'))"
    done = subprocess.run(
        [sys.executable, "-c", words], cwd=tmp_path, capture_output=True, text=True, timeout=90, check=False,
        env={**os.environ, **without_screen(), "LC_ALL": "C", "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert (tmp_path / "page.png").exists()


@pytest.mark.parametrize("seconds", ["0", "-1", "nan", "1e9"])
def test_an_impossible_length_of_the_demo_is_wrong_input(seconds: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--headless", "--seconds", seconds]) == 2
    assert "--seconds takes" in capsys.readouterr().err


def test_the_doctor_finds_what_is_here(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--json"]) == 0
    found = {item["name"]: item for item in map(json.loads, capsys.readouterr().out.splitlines())}
    assert found["Python"]["good"]
    assert found["meters"]["good"]
    assert found["window library"]["good"]


def test_the_doctor_names_what_is_missing_and_the_line_that_installs_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(screen, "_loads", lambda name: "xcb-cursor" not in name)
    monkeypatch.setattr("shutil.which", lambda name: "/usr/bin/apt" if name == "apt" else None)
    assert main(["doctor"]) == 3
    shown = capsys.readouterr().out
    assert "missing  screen libraries: not found: libxcb-cursor.so.0" in shown
    assert "sudo apt install libxcb-cursor0" in shown
    assert "without  what plays on an output" in shown


def test_the_doctor_asks_nobody_to_open_a_folder_not_theirs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("os.access", lambda _path, _mode: False)
    monkeypatch.setenv("HOME", str(tmp_path / "gone"))
    folders = next(finding for finding in doctor.examine() if finding.name == "own folders")
    assert not folders.good
    assert folders.fix == "Set HOME, or the XDG folders, to what you may write; until then no settings are saved."


def test_the_window_names_a_missing_library_before_qt_ends_the_process(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("meter.commands.window.why_no_screen", lambda: "")
    monkeypatch.setattr(screen, "_loads", lambda name: "EGL" not in name)
    assert main(["window"]) == 3
    assert "A window needs libEGL.so.1. Run: " in capsys.readouterr().err


def test_the_doctor_refuses_a_window_library_that_ends_the_program(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor, "version", lambda _name: "6.12.0")
    finding = next(finding for finding in doctor.examine() if finding.name == "window library")
    assert not finding.good


def test_selftest_prints_each_check_with_source_and_margin(capfd: pytest.CaptureFixture[str]) -> None:
    assert main(["selftest", "level", "movement"]) == 0
    lines = capfd.readouterr().out.splitlines()
    assert all("margin used" in line and "[" in line for line in lines[:-1])
    assert "; 0 missed" in lines[-1]
    assert "smallest margin" in lines[-1]


def test_selftest_does_not_know_every_topic(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["selftest", "astrology"]) == 2
    assert "astrology" in capsys.readouterr().err
