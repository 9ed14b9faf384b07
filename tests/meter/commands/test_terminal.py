"""What goes wrong between the program and its reader: closed and full outputs, narrow encodings, odd names."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
import soundfile

from meter.cli import main
from meter.commands.meters import one_or_more
from meter.commands.terminal import visible
from meter.commands.workers import work_through
from tests.support.plugins import write_meter

LINUX = pytest.mark.skipif(sys.platform != "linux", reason="needs a shell, /dev/full and pseudo-terminals")


def sound(path: Path) -> Path:
    noise = np.random.default_rng(3).uniform(-0.2, 0.2, (4_800, 2))
    path.parent.mkdir(exist_ok=True)
    with path.open("wb") as file:
        soundfile.write(file, noise, 48_000, format="WAV")
    return path


def shell(line: str, folder: Path, **environment: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        ["bash", "-o", "pipefail", "-c", line.replace("earwitness", f"{sys.executable} -m meter")],
        cwd=folder, env={**os.environ, **environment}, capture_output=True, timeout=90, check=False,
    )  # fmt: skip


@LINUX
def test_json_goes_into_the_file_while_the_bar_is_on_a_terminal(tmp_path: Path) -> None:
    for name in ("a.wav", "b.wav"):
        sound(tmp_path / name)
    terminal, ours = os.openpty()
    with (tmp_path / "out.json").open("wb") as out:
        subprocess.run(
            [sys.executable, "-m", "meter", "measure", "--json", "a.wav", "b.wav"],
            cwd=tmp_path, stdout=out, stderr=ours, stdin=subprocess.DEVNULL, timeout=90, check=True,
        )  # fmt: skip
    os.close(ours)
    os.close(terminal)
    lines = (tmp_path / "out.json").read_text(encoding="utf-8").splitlines()
    assert [json.loads(line)["file"] for line in lines] == ["a.wav", "b.wav"]


@LINUX
@pytest.mark.parametrize("form", ["", "--json", "--csv"])
def test_a_full_output_is_one_sentence(form: str, tmp_path: Path) -> None:
    sound(tmp_path / "a.wav")
    ended = shell(f"earwitness measure {form} a.wav > /dev/full", tmp_path)
    assert ended.returncode == 1
    assert ended.stderr.decode().count("\n") == 1
    assert "No space left on device" in ended.stderr.decode()


@LINUX
@pytest.mark.parametrize("form", ["", "--json", "--csv"])
def test_a_closed_output_is_no_error(form: str, tmp_path: Path) -> None:
    sound(tmp_path / "a.wav")
    ended = shell(f"earwitness measure {form} a.wav >&-", tmp_path)
    assert (ended.returncode, ended.stderr) == (0, b"")


@LINUX
def test_errors_stay_out_of_the_answer_when_standard_error_is_closed(tmp_path: Path) -> None:
    ended = shell("earwitness measure --json gone.wav 2>&-", tmp_path)
    assert (ended.returncode, ended.stdout) == (2, b"")


@LINUX
def test_a_reader_that_leaves_is_no_error(tmp_path: Path) -> None:
    sound(tmp_path / "a.wav")
    ended = shell("earwitness measure a.wav | true", tmp_path)
    assert (ended.returncode, ended.stderr) == (0, b"")


@LINUX
def test_an_output_of_few_letters_spells_out_the_others(tmp_path: Path) -> None:
    sound(tmp_path / "a.wav")
    ended = shell("earwitness measure a.wav", tmp_path, PYTHONIOENCODING="ascii")
    assert ended.returncode == 0
    assert b"\\u2013 needs 3 s of sound" in ended.stdout


@LINUX
def test_a_narrow_terminal_costs_no_figure(tmp_path: Path) -> None:
    sound(tmp_path / "a.wav")
    ended = shell("earwitness measure a.wav", tmp_path, COLUMNS="10")
    assert b"loudness.short_term_max_lufs" in ended.stdout
    assert "…".encode() not in ended.stdout


@LINUX
@pytest.mark.parametrize("name", ["[/red].wav", "[bold]x.wav", "two\nlines.wav", "esc\x1b[31m.wav", "bad\udcff.wav"])
def test_a_file_may_be_called_anything(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["measure", str(sound(tmp_path / name))]) == 0
    out = capsys.readouterr().out
    assert visible(name) in out.replace("\n", "")
    assert "\x1b" not in out


def test_letters_that_cannot_be_seen_are_spelled_out() -> None:
    assert visible("Gitarre – ü\n\x1b\udcff") == "Gitarre – ü\\n\\x1b\\udcff"


@pytest.mark.parametrize("jobs", ["0", "-5", "1e999", "nan", "x"])
def test_jobs_are_counted_from_one(jobs: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["measure", f"--jobs={jobs}", "a.wav"])
    assert ended.value.code == 2
    assert jobs in capsys.readouterr().err
    assert one_or_more("7") == 7


@pytest.mark.parametrize("command", [["measure", "a.wav"], ["demo", "--headless", "--seconds", "1"]])
def test_a_refused_meter_that_was_asked_for_is_named(
    command: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*command, "--plugins", str(tmp_path / "nowhere")]) == 2
    caught = capsys.readouterr()
    assert "nowhere" in caught.err
    assert caught.out == ""


def test_a_meter_that_says_nothing_of_files_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write_meter(tmp_path / "mute", "mute")
    manifest = folder / "manifest.toml"
    manifest.write_text(manifest.read_text(encoding="utf-8").replace("summary = true", ""), encoding="utf-8")
    assert main(["measure", "--json", str(sound(tmp_path / "a.wav")), "--plugins", str(folder)]) == 0
    assert "“mute” has no reading of a file" in capsys.readouterr().err


def sleep_long(name: str) -> list[str]:
    if name != "first":
        time.sleep(3600.0)
    return [name]


def test_leaving_the_workers_by_an_error_does_not_wait_for_their_work() -> None:
    began = time.monotonic()

    def interrupted() -> None:
        with closing(work_through(sleep_long, ["first", "second"], lambda item, _why: item, 2)) as found:
            assert next(found) == "first"
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert time.monotonic() - began < 600.0  # not the hour; no claim about speed


def test_forget_and_export_exclude_each_other(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["exposure", "--forget", "--yes", "--export", str(tmp_path / "minutes.csv")])
    assert ended.value.code == 2
    assert "--forget" in capsys.readouterr().err


@pytest.mark.parametrize("seconds", ["0", "-5", "999999999"])
def test_bench_takes_seconds_that_fit(seconds: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "--seconds", seconds]) == 2
    assert seconds in capsys.readouterr().err
