"""A meter that never answers ends neither `measure` nor the demo: it is named, and everything else is measured."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest
import soundfile

from dsp.core.signals import tone
from meter.cli import main
from meter.commands import watched
from tests.support.plugins import write_meter

FOREVER = "while True:\n    pass"
IN_C = "import re\nre.match('(a+)+$', 'a' * 60 + 'b')"
"""Backtracks without end, in one call that lets no other thread run."""


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watched, "STALL_SECONDS", 2.0)
    monkeypatch.setattr(watched, "LOADING_SECONDS", 2.0)


@pytest.fixture(autouse=True)
def nothing_left_behind() -> None:
    yield
    assert multiprocessing.active_children() == []


def files(folder: Path, count: int) -> list[Path]:
    paths = [folder / f"{number}.wav" for number in range(count)]
    for number, path in enumerate(paths):
        soundfile.write(path, tone(997.0, -20.0 - number, 2.0, 48_000, 2), 48_000)
    return paths


def measure(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, list[dict], list[str]]:
    code = main(["measure", "--json", *map(str, words)])
    caught = capsys.readouterr()
    return code, [json.loads(line) for line in caught.out.splitlines()], caught.err.splitlines()


@pytest.mark.parametrize(("where", "body"), [("process", IN_C), ("read", FOREVER)], ids=["in one call", "in read"])
def test_it_is_named_and_the_file_measured_without_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], where: str, body: str
) -> None:
    hang = write_meter(tmp_path / "hang", "hang", **{where: body})
    code, [found], said = measure(capsys, *files(tmp_path, 1), "--plugins", hang)
    assert code == 1
    assert found["loudness.integrated_lufs"] == pytest.approx(-20.0, abs=0.1)
    assert not [key for key in found if key.startswith("hang.")]
    [sentence] = said
    assert "“hang”" in sentence
    assert str(hang) in sentence
    assert "fix it or leave it out" in sentence
    assert found["notes"] == [sentence]


def test_one_that_never_loads_is_named_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    hang = write_meter(tmp_path / "hang", "hang")
    (hang / "process.py").write_text(FOREVER + "\nMeter = None\n", encoding="utf-8")
    code, [found], said = measure(capsys, *files(tmp_path, 1), "--plugins", hang)
    assert (code, len(said)) == (1, 1)
    assert "“hang”" in said[0]
    assert "loading took longer than" in said[0]
    assert found["peaks.true_max_dbtp"] == pytest.approx(-20.0, abs=0.1)


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_it_costs_no_other_file_and_no_second_wait(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], jobs: str
) -> None:
    """It hangs on the quieter files only; the first is measured with it, those after the stall without."""
    tries = tmp_path / "tries"
    count = f"with open({str(tries)!r}, 'a') as file:\n    file.write('x')\n"
    body = f"self.total = float(abs(block).max())\nif self.total > 0.095:\n    return\n{count}{FOREVER}"
    hang = write_meter(tmp_path / "hang", "hang", body)
    paths = files(tmp_path, 5)
    code, found, said = measure(capsys, *paths, "--plugins", hang, "--jobs", jobs)
    assert code == 1
    assert [item["file"] for item in found] == [str(path) for path in paths]
    for number, item in enumerate(found):
        assert item["peaks.true_max_dbtp"] == pytest.approx(-20.0 - number, abs=0.1)
    assert found[0]["hang.total"] == pytest.approx(0.1, rel=0.01)
    assert "hang.total" not in found[-1]
    assert len(said) == 1
    assert len(tries.read_text(encoding="utf-8")) <= int(jobs)


def test_a_meter_that_takes_its_time_is_waited_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    slow = write_meter(tmp_path / "slow", "slow", "time.sleep(1.0)\nself.total += 1.0")
    code, [found], said = measure(capsys, *files(tmp_path, 1), "--plugins", slow)
    assert (code, said, found["slow.total"]) == (0, [], 1.0)


def test_a_meter_that_ends_its_process_costs_no_file_and_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    body = "if abs(block).max() < 0.095:\n    __import__('os')._exit(3)"
    fatal = write_meter(tmp_path / "fatal", "fatal", body)
    first, second = files(tmp_path, 2)
    third = tmp_path / "third.wav"
    third.write_bytes(first.read_bytes())
    code, found, said = measure(capsys, first, second, third, "--plugins", fatal)
    assert code == 1
    assert [item["file"] for item in found] == [str(first), str(second), str(third)]
    [sentence] = said
    assert str(second) in sentence
    assert "“fatal”" in sentence
    assert found[1]["peaks.true_max_dbtp"] == pytest.approx(-21.0, abs=0.1)
    assert sentence in found[1]["notes"]


def spoil(folder: Path, how: str) -> Path:
    """A meter that fails in one of the ways a meter can."""
    bodies = {
        "throws": {"process": "raise ValueError('no')"},
        "throws when read": {"read": "raise ValueError('no')"},
        "ends the process": {"process": "__import__('os')._exit(3)"},
        "asks to end": {"process": "raise SystemExit(0)"},
        "hangs": {"process": FOREVER},
    }
    write_meter(folder, "spoilt", **bodies.get(how, {}))
    if how == "throws when loaded":
        (folder / "process.py").write_text("import there_is_no_such_module as Meter", encoding="utf-8")
    if how == "ends the process when loaded":
        (folder / "process.py").write_text("import os\nMeter = os._exit(0)", encoding="utf-8")
    if how == "is refused":
        manifest = folder / "manifest.toml"
        manifest.write_text(manifest.read_text(encoding="utf-8").replace('"2.0"', '"99.0"'), encoding="utf-8")
    return folder


WAYS_TO_FAIL = (
    "throws", "throws when read", "throws when loaded", "ends the process", "ends the process when loaded",
    "asks to end", "hangs", "is refused",
)  # fmt: skip


@pytest.mark.parametrize(("how", "count"), [*((how, 1) for how in WAYS_TO_FAIL), ("ends the process", 2)])
def test_however_a_meter_fails_the_files_are_measured_and_it_is_named(
    how: str, count: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoilt = spoil(tmp_path / "spoilt", how)
    code, found, said = measure(capsys, *files(tmp_path, count), "--plugins", spoilt)
    assert code == 1
    assert [item["peaks.true_max_dbtp"] for item in found] == pytest.approx([-20.0, -21.0][:count], abs=0.1)
    [sentence] = said
    assert "spoilt" in sentence


@pytest.mark.parametrize("how", ["throws", "throws when loaded", "is refused"])
def test_the_demo_names_a_meter_however_it_fails(
    how: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoilt = spoil(tmp_path / "spoilt", how)
    assert main(["demo", "--headless", "--json", "--seconds", "1", "--plugins", str(spoilt)]) == 1
    caught = capsys.readouterr()
    assert json.loads(caught.out.splitlines()[-1])["state"] == "running"
    [sentence] = caught.err.splitlines()
    assert "spoilt" in sentence


def command(*words: str | Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-m", "meter", *map(str, words)], start_new_session=True)


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_a_command_that_is_stopped_leaves_no_process(tmp_path: Path, how: signal.Signals) -> None:
    hang = write_meter(tmp_path / "hang", "hang", f"open({str(tmp_path / 'there')!r}, 'w').close()\n{FOREVER}")
    with command("measure", *files(tmp_path, 2), "--plugins", hang) as running:
        end = time.monotonic() + 30.0
        while not (tmp_path / "there").exists() and time.monotonic() < end:
            time.sleep(0.05)
        children = psutil.Process(running.pid).children(recursive=True)
        os.kill(running.pid, how)
        running.wait(timeout=10.0)
    assert children
    _, alive = psutil.wait_procs(children, timeout=10.0)
    assert alive == []
    assert running.returncode == (130 if how == signal.SIGINT else -signal.SIGKILL)


def test_the_demo_goes_on_without_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    hang = write_meter(tmp_path / "hang", "hang", IN_C)
    good = write_meter(tmp_path / "good", "good")
    code = main(["demo", "--headless", "--json", "--seconds", "1", "--plugins", str(hang), "--plugins", str(good)])
    caught = capsys.readouterr()
    found = [json.loads(line) for line in caught.out.splitlines()]
    assert code == 1
    assert (found[-1]["state"], found[-1]["source"]) == ("running", "demo")
    assert found[-1]["loudness.momentary_max_lufs"] is not None
    assert found[-1]["good.total"] > 0.0
    assert found[-1]["hang.total"] is None
    [sentence] = caught.err.splitlines()
    assert "“hang”" in sentence
    assert "fix it or leave it out" in sentence


def test_the_demo_of_good_meters_ends_as_ever(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good = write_meter(tmp_path / "good", "good")
    code = main(["demo", "--headless", "--json", "--seconds", "1", "--plugins", str(good)])
    caught = capsys.readouterr()
    found = [json.loads(line) for line in caught.out.splitlines()]
    assert (code, caught.err) == (0, "")
    assert found[-1]["good.total"] > 0.0
    assert found[-1]["seconds"] > 0.0
