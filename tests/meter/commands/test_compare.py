"""``earwitness compare``: sentences, a table, JSON with fixed keys, and one sentence for what is wrong."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import soundfile

from meter.cli import main
from tests.support.stages import RATE_HZ, delayed, phrases

KEYS = ("lag_samples", "polarity", "loudness_change_lu", "low_change_db", "verdict", "trim_db", "added_db",
        "true_peak_change_db", "peak_to_loudness_change_lu")  # fmt: skip
SQUEEZE_KEYS = ("median_db", "p90_db", "max_db", "make_up_db", "attack_ms", "recovery_ms")


@pytest.fixture
def files(tmp_path: Path) -> tuple[str, str]:
    sound = phrases(6.0)
    for name, part in (("before", sound), ("after", 1.5 * delayed(sound, 20.0))):
        soundfile.write(tmp_path / f"{name}.wav", part, RATE_HZ, subtype="FLOAT")
    return str(tmp_path / "before.wav"), str(tmp_path / "after.wav")


def test_sentences_and_a_table(files: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", *files]) == 0
    printed = capsys.readouterr().out
    assert "Not fair: after is 3.5 LU louder, trim −3.5 dB." in printed
    assert "20.0  samples" in printed


def test_json_has_the_promised_keys(files: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", *files, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert set(KEYS) <= set(found)
    assert set(SQUEEZE_KEYS) <= set(found["squeeze"])
    assert {"lows_db", "tilt_db"} <= set(found["linear"])
    assert found["lag_samples"] == pytest.approx(20.0, abs=0.05)
    assert found["verdicts"][0].startswith("Not fair")


def test_the_receipt_and_the_stage_that_follows(files: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", *files, "--next", files[1], "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["receipt"]["headroom_db"] == pytest.approx(-3.52, abs=0.05)
    assert found["receipt"]["next_squeeze_db"] == pytest.approx(0.0, abs=0.01)
    assert "kick_dip_db" in found["squeeze"]
    assert main(["compare", *files]) == 0
    assert "Bought: +3.5 LU. Paid: 3.5 dB of headroom." in capsys.readouterr().out


def test_the_card_is_drawn_into_a_new_file(
    files: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("PySide6")
    from PySide6.QtGui import QImage

    from meter.gui.kit.theme import DARK
    from tests.support.faces import pixels_like

    assert main(["compare", *files, "--picture", str(tmp_path / "card")]) == 0
    assert str(tmp_path / "card.png") in capsys.readouterr().out
    picture = QImage(str(tmp_path / "card.png"))
    assert picture.width() >= 1100
    assert pixels_like(picture, DARK.measured) > 500, "curves are drawn"
    assert pixels_like(picture, DARK.ink) > 1000
    before = (tmp_path / "card.png").read_bytes()
    assert main(["compare", *files, "--json", "--picture", str(tmp_path / "card.png")]) == 0
    printed = capsys.readouterr()
    assert json.loads(printed.out)["verdict"] == "not fair"
    assert "card-2.png" in printed.err
    assert (tmp_path / "card.png").read_bytes() == before, "what is there stays"


@pytest.mark.parametrize(("name", "said"), [("card.jpg", "call it card.png"), ("gone/card.png", "another folder")])
def test_a_picture_that_cannot_be_written_is_one_sentence(
    name: str, said: str, files: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["compare", *files, "--picture", str(tmp_path / name)]) != 0
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1


def test_a_missing_file_is_one_sentence(files: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", files[0], files[1] + "x"]) == 2
    assert capsys.readouterr().err.count("\n") == 1
