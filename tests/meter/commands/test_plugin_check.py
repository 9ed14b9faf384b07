"""``plugins check``: a line for each check, an exit code, and an answer from code that hangs or ends its process."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from meter.cli import main
from meter.commands.plugin_check import checked_apart
from meter.plugin.host import discover
from tests.support.wrong_meters import PROCESS, TAKE, WRONG, Wrong, line_of, write_right_meter, write_wrong_meter


def test_a_right_meter_passes(tmp_path: Path, capfd) -> None:
    assert main(["plugins", "check", str(write_right_meter(tmp_path))]) == 0
    lines = capfd.readouterr().out.splitlines()
    assert [line.split()[:2] for line in lines[:3]] == [["pass", "manifest"], ["pass", "loading"], ["pass", "cost"]]
    assert all(line.startswith("pass ") for line in lines)


def test_what_a_meter_prints_does_not_get_into_the_answer(tmp_path: Path, capfd) -> None:
    folder = write_right_meter(tmp_path)
    with (folder / PROCESS).open("a", encoding="utf-8") as file:
        file.write('print("a word of mine")\n')
    assert main(["plugins", "check", str(folder / "manifest.toml"), "--json"]) == 0
    captured = capfd.readouterr()
    outcomes = [json.loads(line) for line in captured.out.splitlines()]
    assert {outcome["result"] for outcome in outcomes} == {"pass"}
    assert {outcome["meter"] for outcome in outcomes} == {"trial"}
    assert "a word of mine" in captured.err


def test_a_wrong_meter_fails_with_the_line(tmp_path: Path, capfd) -> None:
    wrong = WRONG["throws at a gap"]
    folder = write_wrong_meter(tmp_path, wrong)
    assert main(["plugins", "check", str(folder)]) == 1
    out = capfd.readouterr().out
    place = f"process.py, line {line_of(folder, wrong)}"
    assert f"fail     gaps       {place}: It raised RuntimeError: lost" in out
    assert "Traceback" not in out


def test_a_meter_that_cannot_be_loaded_is_one_failure(tmp_path: Path, capfd) -> None:
    folder = write_wrong_meter(tmp_path, WRONG["an import that is not there"])
    assert main(["plugins", "check", str(folder), "--json"]) == 1
    outcomes = [json.loads(line) for line in capfd.readouterr().out.splitlines()]
    assert [outcome["result"] for outcome in outcomes[:2]] == ["pass", "fail"]
    assert outcomes[1]["place"].startswith("process.py, line ")
    assert {outcome["result"] for outcome in outcomes[2:]} == {"skipped"}


@pytest.mark.parametrize("what", ["gone", "."])
def test_a_wrong_name_is_wrong_input(what: str, tmp_path: Path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["plugins", "check", what]) == 2
    assert "neither an installed meter nor a folder" in capsys.readouterr().err


def test_check_needs_a_name(capsys) -> None:
    assert main(["plugins", "check"]) == 2
    assert "needs the name" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("code", "says", "at"),
    [
        (
            "        while True:\n            frames = len(block)\n",
            "did not return within 1 s",
            "frames = len(block)",
        ),
        ("        import os\n        os._exit(0)\n", "ended the process", ""),
        ("        raise SystemExit(0)\n", "SystemExit", "raise SystemExit"),
        ("        raise KeyboardInterrupt\n", "KeyboardInterrupt", "raise KeyboardInterrupt"),
    ],
)
def test_code_that_never_returns_or_ends_the_process_is_told(code: str, says: str, at: str, tmp_path: Path) -> None:
    """A limit of 1 s instead of 60; the checks before it take less."""
    wrong = Wrong(PROCESS, TAKE, code + TAKE, "loading", says, at=at)
    folder = write_wrong_meter(tmp_path, wrong)
    [plugin] = discover([folder], installed=False)
    outcomes = list(checked_apart(plugin, stall_seconds=1.0 if "return" in says else 60.0))
    first = next(outcome for outcome in outcomes if outcome.result != "pass")
    assert first.check == "loading"
    assert says in first.sentence
    if at:
        assert f"line {line_of(folder, wrong)}" in first.place or "while" in code
    assert all(outcome.result == "skipped" for outcome in outcomes[2:])
