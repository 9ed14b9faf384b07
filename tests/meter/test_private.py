"""Nothing asks for a network, and every file is its owner's only: every command, the window and its engine are run.

The kernel watches them (Linux): a call of any library counts. What the source may name: ``tests/test_source.py``.
"""

from __future__ import annotations

import json
import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest
import soundfile

from dsp.core.signals import tone
from meter.cli import COMMANDS, main
from meter.commands import doctor
from meter.commands.doctor import Finding
from meter.commands.terminal import to_pass_on
from tests.support.every_command import COMMANDS as RUN

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory, demo_music: Path) -> tuple[dict[str, object], Path]:
    """What a process told that ran every command and the window, and the home folder that it wrote to."""
    home = tmp_path_factory.mktemp("home")
    cache = home / "cache" / "earwitness"
    cache.mkdir(parents=True)
    for music in (demo_music / "earwitness").glob("demo-*"):
        (cache / music.name).symlink_to(music)
    folders = {name: str(home / name) for name in ("config", "data", "cache")}
    environment = {f"XDG_{name.upper()}_HOME": folder for name, folder in folders.items()}
    environment |= {"HOME": str(home), "XDG_RUNTIME_DIR": str(home), "PULSE_SERVER": f"unix:{home}/none"}
    done = subprocess.run(
        [sys.executable, "-m", "tests.support.every_command", str(home)], cwd=ROOT,
        env={**os.environ, "QT_QPA_PLATFORM": "offscreen", **environment}, capture_output=True, text=True,
        timeout=400.0, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1]), home


@pytest.mark.skipif(sys.platform != "linux", reason="the kernel's filter is Linux's")
def test_no_command_window_or_engine_asks_for_a_network(told: tuple[dict[str, object], Path]) -> None:
    answer, _home = told
    if "unwatchable" in answer:
        pytest.skip(f"this kernel cannot be asked: {answer['unwatchable']}")
    assert answer["seen"] == 1, "a request of the test's own is seen and refused"
    assert answer["asked"] == []
    assert answer["codes"] == dict.fromkeys(RUN, 0)
    assert answer["heard"], "the window's engine measured"


def test_every_command_is_watched() -> None:
    assert RUN.keys() == COMMANDS.keys()


@pytest.mark.skipif(sys.platform == "win32", reason="modes of POSIX")
def test_every_file_and_folder_that_is_made_is_its_owners_only(told: tuple[dict[str, object], Path]) -> None:
    answer, home = told
    if "unwatchable" in answer:
        pytest.skip("the commands were not run")
    cache = home / "cache"
    given = {cache, cache / "earwitness", home / "song.wav", home / "mine.toml", home / "parts"}
    made = [path for path in home.rglob("*") if path not in given and path.parent != home / "parts"]
    names = {path.name for path in made}
    assert {"settings.json", "alignments", "card.png", "tones.wav", "manifest.toml", "references"} <= names
    assert [path for path in made if path.suffix == ".sqlite3" and path.parts[-3] == "record"], "the day is recorded"
    assert [str(path) for path in made if stat.S_IMODE(path.lstat().st_mode) & 0o077 and not path.is_symlink()] == []


def test_what_may_be_passed_on_names_no_folder_of_the_user(told: tuple[dict[str, object], Path]) -> None:
    answer, home = told
    if "unwatchable" in answer:
        pytest.skip("the commands were not run")
    said = answer["said"]
    assert isinstance(said, dict)
    for name in ("compare", "lane", "lowend", "exposure", "log", "doctor", "selftest", "bench", "devices"):
        assert said[name], name
        assert str(home) not in said[name].replace(f"{home}/card.png", ""), name


def test_what_doctor_says_can_be_passed_on(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys) -> None:
    home = tmp_path / "anna"
    home.mkdir()
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("USER", "anna")
    said = Finding(
        "own folders", False, f"{home}/music cannot be written", f"Make {home} writable, not /media/anna/x."
    )
    monkeypatch.setattr(doctor, "examine", lambda: iter([said]))
    for words in (["doctor"], ["doctor", "--json"]):
        main(words)
        shown = capsys.readouterr().out
        assert "~/music cannot be written" in shown
        assert "Make ~ writable, not /media/USER/x." in shown
        assert "anna" not in shown


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("/home/ann/a and /home/anna/b", "~/a and /home/anna/b"),
        ("/home/ann", "~"),
        ("Cannot annul planned cannon", "Cannot annul planned cannon"),
        ("/data/ann/x, /data/ann-2/x", "/data/USER/x, /data/ann-2/x"),
        ("the disk of /media/ann is full", "the disk of /media/USER is full"),
        ("/mnt/home/ann/x", "/mnt/home/USER/x"),
    ],
)
def test_home_and_user_are_left_out_and_nothing_else(monkeypatch: pytest.MonkeyPatch, text: str, shown: str) -> None:
    monkeypatch.setenv("HOME", "/home/ann")
    monkeypatch.setenv("USER", "ann")
    assert to_pass_on(text) == shown


def test_a_user_called_as_a_system_folder_hides_no_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", "/root")
    monkeypatch.setenv("USER", "root")
    assert to_pass_on("/root/.config, /rootless") == "~/.config, /rootless"
    monkeypatch.setenv("HOME", "/")
    assert to_pass_on("/usr/lib") == "/usr/lib"


def test_reports_on_files_name_no_folder(tmp_path: Path, capsys) -> None:
    folder = tmp_path / "anna"
    (folder / "parts").mkdir(parents=True)
    for name, hertz in (("song", 440.0), ("parts/kick", 55.0)):
        soundfile.write(folder / f"{name}.wav", tone(hertz, -20.0, 4.0, 48_000, 2), 48_000)
    song = str(folder / "song.wav")
    lowend = ["lowend", str(folder / "parts"), "--json"]
    for words in (["compare", song, song], ["compare", song, song, "--json"], lowend):
        assert main(words) == 0
        shown = capsys.readouterr().out
        assert shown
        assert str(tmp_path) not in shown
