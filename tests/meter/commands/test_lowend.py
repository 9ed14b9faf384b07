"""The command: parts by name and by folder, the table, JSON, and wrong input in one sentence."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from meter.commands import lowend
from meter.commands.errors import WRONG_INPUT, CommandError
from tests.support.low_parts import RATE_HZ, held, place, repeated, resonator


def run(*words: str) -> int:
    parser = argparse.ArgumentParser()
    lowend.add_arguments(parser)
    return lowend.run(parser.parse_args(words))


@pytest.fixture(scope="module")
def stems(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stems")
    kick = place(repeated(resonator(60, 15), 10, 0.5), 5.5)
    bass = place(repeated(held(41.2, 0.4), 10, 0.5), 5.5)
    for name, sound in (("kick", kick), ("bass", bass), ("Mix", np.repeat(kick + bass, 2, axis=1))):
        soundfile.write(folder / f"{name}.wav", sound, RATE_HZ, subtype="FLOAT")
    (folder / "notes.txt").write_text("not a sound")
    return folder


def test_a_folder_with_its_mix_as_json(stems: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(str(stems), "--json", "--tempo", "120") == 0
    found = json.loads(capsys.readouterr().out)
    assert [part["name"] for part in found["parts"]] == ["bass", "kick"]
    assert found["mix_bus_difference_db"] == pytest.approx(0.0, abs=0.01)
    assert found["half_beat_ms"] == 250.0
    assert found["pairs"][0]["first"] == "kick"
    assert any("own the low end" in sentence for sentence in found["verdicts"])


def test_named_parts_as_a_table(stems: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--part", f"the kick={stems / 'kick.wav'}", "--part", str(stems / "bass.wav"), "--cutoff", "40"]
    assert run(*words) == 0
    printed = capsys.readouterr()
    lines = printed.out.splitlines()
    assert "own the low end" in lines[0]
    assert any(line.startswith("the kick") and "B1" in line for line in lines)
    assert any(line.startswith("bass") and "E1" in line for line in lines)
    assert sum(" 40 " in line for line in lines) >= 8
    assert "count as equal in left and right" in printed.err
    assert "…" not in printed.out


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ([], "No part was given"),
        (["--part", "kick="], "is not NAME=FILE"),
        (["--part", "kick=nowhere.wav"], "There is no file 'nowhere.wav'"),
        (["nowhere"], "is not a folder"),
        (["--tempo", "5", "--part", "a=b"], "tempo of 5"),
        (["--cutoff", "nan", "--part", "a=b"], "cut-off of nan"),
    ],
)
def test_wrong_input_is_one_sentence(words: list[str], sentence: str) -> None:
    with pytest.raises(CommandError, match=sentence) as caught:
        run(*words)
    assert caught.value.exit_code == WRONG_INPUT
    assert "\n" not in str(caught.value)


def test_an_empty_folder(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="There is no sound file"):
        run(str(tmp_path))


def test_a_pair_that_is_not_there(stems: Path) -> None:
    with pytest.raises(CommandError, match="There is no part “tuba”"):
        run(str(stems), "--pair", "kick", "tuba")


def test_silence_prints_dashes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    soundfile.write(tmp_path / "room.wav", np.zeros((2 * RATE_HZ, 1)), RATE_HZ)
    assert run(str(tmp_path)) == 0
    printed = capsys.readouterr()
    assert "No part owns the low end" in printed.out
    assert "silent, or never above -60 dBFS" in printed.out
    assert "nan" not in printed.out


def test_a_part_may_be_called_anything(stems: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = [f"--part=[/red]\x1b={stems / 'kick.wav'}", f"--part={'long ' * 30}={stems / 'bass.wav'}"]
    assert run(*words, "--cutoff", "40") == 0
    out = capsys.readouterr().out
    assert out.count("[/red]\\x1b") >= 3
    assert "\x1b" not in out
    assert "…" not in out


def test_a_part_is_not_compared_with_itself(stems: Path) -> None:
    with pytest.raises(CommandError, match="cannot be compared with itself"):
        run(str(stems), "--pair", "kick", "kick")


def test_a_name_that_no_system_takes() -> None:
    for words in (["x" * 5_000], ["--part", "x" * 5_000], ["--part", f"a={'x' * 5_000}"]):
        with pytest.raises(CommandError, match=r"cannot be read|is not a folder"):
            run(*words)
