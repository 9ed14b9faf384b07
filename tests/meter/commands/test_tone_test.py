"""``earwitness tone-test``: a file with a caution, read back through known distortion."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from meter.cli import main


@pytest.fixture
def sent(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    path = tmp_path / "tones.wav"
    assert main(["tone-test", "write", str(path)]) == 0
    assert "Turn the monitors down" in capsys.readouterr().out
    return path


def through(sent: Path, cubic: float, channels: int = 1) -> Path:
    """x - c x^3, half a second late, in the last of the channels."""
    sound, rate_hz = soundfile.read(sent)
    back = np.zeros((len(sound) + rate_hz // 2, channels))
    back[rate_hz // 2 :, -1] = sound - cubic * sound**3
    path = sent.with_name("back.wav")
    soundfile.write(path, back, rate_hz, subtype="FLOAT")
    return path


@pytest.mark.parametrize("channels", [1, 2])
def test_what_came_back_is_read(sent: Path, channels: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["tone-test", "read", str(through(sent, 0.4, channels)), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    by_level = {tone["level_dbfs"]: tone for tone in found["tones"] if tone["hz"] == 1000}
    peak = 10.0 ** (-12.0 / 20.0)
    assert by_level[-12.0]["thd_percent"] == pytest.approx(100.0 * 0.1 * peak**2 / (1.0 - 0.3 * peak**2), rel=0.002)
    # A third harmonic grows by two decibels a decibel.
    assert by_level[-24.0]["growth_db_per_db"] == pytest.approx(2.0, abs=0.05)
    assert by_level[-12.0]["growth_db_per_db"] is None
    assert len(found["intermodulation"]) == 3


def test_a_table_for_people(sent: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["tone-test", "read", str(through(sent, 0.4))]) == 0
    printed = capsys.readouterr().out
    assert "Harmonics re the fundamental" in printed
    assert printed.count("Intermodulation") == 3


def test_a_file_that_is_there_is_not_replaced(sent: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = sent.read_bytes()
    assert main(["tone-test", "write", str(sent)]) == 0
    assert "tones-2.wav" in capsys.readouterr().out
    assert sent.read_bytes() == before


@pytest.mark.parametrize(
    ("seconds", "words"), [(1.0, "is not in 'other.wav'"), (40.0, "is not in 'other.wav'"), (0.0, "holds no sound")]
)
def test_a_file_without_the_test_is_refused(
    tmp_path: Path, seconds: float, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "other.wav"
    soundfile.write(path, np.random.default_rng(1).normal(0.0, 0.1, round(seconds * 48_000)), 48_000)
    assert main(["tone-test", "read", str(path)]) == 2
    assert words in capsys.readouterr().err


def test_a_test_that_breaks_off_at_once_is_told(sent: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sound, rate_hz = soundfile.read(sent)
    path = sent.with_name("cut.wav")
    soundfile.write(path, sound[: 2 * rate_hz], rate_hz)
    assert main(["tone-test", "read", str(path)]) == 2
    assert "tone test" in capsys.readouterr().err


def test_a_folder_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["tone-test", "write", str(tmp_path / "gone" / "x.wav")]) == 2
    assert "cannot be written" in capsys.readouterr().err
