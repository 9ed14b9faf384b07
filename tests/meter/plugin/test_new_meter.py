"""``plugins new``: what it writes works and passes its own tests; a wrong name or place is refused in a sentence."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from meter.cli import main
from meter.plugin.host import discover
from meter.plugin.new_meter import NewMeterError, id_of, write_new_meter

FILES = ["face.py", "manifest.toml", "process.py", "test_my_level.py"]


def test_what_it_writes_passes_its_own_tests(tmp_path: Path) -> None:
    """In a process of its own, as its author would run it; they run every check of the kit as well."""
    folder = write_new_meter("My level", tmp_path)
    assert sorted(path.name for path in folder.iterdir()) == FILES
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(folder)],
        capture_output=True, text=True, check=False, timeout=120, cwd=tmp_path,
        env=os.environ | {"QT_QPA_PLATFORM": "offscreen"},
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-3000:]
    assert "2 passed" in done.stdout


def test_the_command_says_where_it_is_and_what_to_do_next(tmp_path: Path, capsys) -> None:
    assert main(["plugins", "new", "Größe 2", "--in", str(tmp_path)]) == 0
    folder = tmp_path / "grosse_2"
    assert capsys.readouterr().out == (
        f"A meter is in {folder}; change it, and run “earwitness plugins check {folder}”.\n"
    )
    [plugin] = discover([folder], installed=False)
    assert plugin.manifest is not None
    assert (plugin.id, plugin.manifest.name, plugin.usable) == ("grosse_2", "Größe 2", True)


@pytest.mark.parametrize(
    ("name", "meter_id"),
    [
        ("tilt", "tilt"), ("My Level", "my_level"), ("  tilt  ", "tilt"), ("a\nb", "a_b"),
        ("Élan vital", "elan_vital"),
        ("bass-drum (left)", "bass_drum_left"), ("Ｆｕｌｌ　ｗｉｄｔｈ", "full_width"), ("class", "class"),
    ],
)  # fmt: skip
def test_a_name_becomes_an_id(name: str, meter_id: str) -> None:
    assert id_of(name) == meter_id


@pytest.mark.parametrize("name", ['quo"ted', "back`tick", "ta$g", "{curly}", "class", "test", "numpy"])
def test_odd_names_make_working_files(name: str, tmp_path: Path) -> None:
    [plugin] = discover([write_new_meter(name, tmp_path)], installed=False)
    assert plugin.manifest is not None, plugin.refusal
    assert plugin.manifest.name == name
    for file in plugin.folder.glob("*.py"):
        compile(file.read_text(encoding="utf-8"), str(file), "exec")


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("", "needs a name"), ("   ", "needs a name"), ("a/b", "is a path"), ("..\\x", "is a path"),
        ("音量", "makes no id"),
        ("3 bands", "begin with a letter"), ("a" * 33, "makes no id"), ("a" * 61, "up to 60"),
        ("vu", "a meter of this program"), ("Low End", "a meter of this program"), ("a\x00", "visible letters"),
    ],
)  # fmt: skip
def test_a_wrong_name_is_refused(name: str, says: str, tmp_path: Path, capsys) -> None:
    assert main(["plugins", "new", name, "--in", str(tmp_path)]) == 2
    captured = capsys.readouterr()
    assert says in captured.err
    assert captured.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_there_is_left_as_it_is(tmp_path: Path, capsys) -> None:
    (tmp_path / "tilt").mkdir()
    (tmp_path / "tilt" / "notes").write_text("mine", encoding="utf-8")
    assert main(["plugins", "new", "tilt", "--in", str(tmp_path)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert [path.name for path in (tmp_path / "tilt").iterdir()] == ["notes"]


def test_a_place_that_is_not_there_is_refused(tmp_path: Path, capsys) -> None:
    assert main(["plugins", "new", "tilt", "--in", str(tmp_path / "gone")]) == 2
    assert "is not there" in capsys.readouterr().err


def test_a_place_that_is_a_file_is_refused(tmp_path: Path, capsys) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert main(["plugins", "new", "tilt", "--in", str(tmp_path / "file")]) == 1
    assert "cannot be made" in capsys.readouterr().err


def test_a_full_disk_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: Path, *_words: object, **_more: object) -> int:
        path.touch()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(NewMeterError, match="No space left"):
        write_new_meter("tilt", tmp_path)
    assert list(tmp_path.iterdir()) == []
