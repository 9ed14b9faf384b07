"""``earwitness lane``: sentences, a table, JSON with fixed keys, and one sentence for what is wrong."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dsp.core.signals import pink_noise
from dsp.core.types import FloatArray
from meter.cli import main

RATE_HZ = 32_000


def noise(seed: int, seconds: float = 8.0, rate_hz: int = RATE_HZ) -> FloatArray:
    return pink_noise(np.random.default_rng(seed), -20.0, seconds, rate_hz, 2)


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.chdir(tmp_path)
    sound = noise(1)
    spectrum = np.fft.rfft(sound, axis=0)
    hz = np.fft.rfftfreq(len(sound), 1.0 / RATE_HZ)
    spectrum[(hz >= 501.19) & (hz < 707.95)] *= 10.0 ** (3.0 / 20.0)
    soundfile.write("mix.wav", np.fft.irfft(spectrum, len(sound), axis=0), RATE_HZ, subtype="FLOAT")
    soundfile.write("same.wav", 0.5 * sound, RATE_HZ, subtype="FLOAT")
    return tmp_path


def one_line(captured: str) -> str:
    assert captured.count("\n") == 1, captured
    return captured


def test_the_band_that_was_tilted_by_3_db_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lane", "mix.wav", *["--reference", "same.wav@0-8"] * 3]) == 0
    printed = capsys.readouterr().out
    assert printed.startswith("Outside the lane of 3 references: 500–710 Hz +3.0 dB.\n")
    assert "same.wav, 0:00–0:08: +6.2 dB to match" in printed
    assert "peak to loudness" in printed


def test_json_has_the_promised_keys(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lane", "mix.wav", "--reference", "same.wav", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert len(found["bands"]) == 19
    band = next(band for band in found["bands"] if band["low_hz"] == 500.0)
    assert band["difference_db"] == pytest.approx(3.0, abs=0.2)
    assert {"width_difference_db", "lane_low_db", "lane_high_db"} <= set(band)
    assert {"peak_to_loudness_lu", "lows_db", "references", "outside", "notes", "verdicts"} <= set(found)
    assert found["outside"][0]["what"] == "tone"
    assert found["verdicts"] == ["Against 'same.wav': 500–710 Hz +3.0 dB."]


def test_the_second_run_comes_from_the_cache(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    printed = []
    for _ in range(2):
        assert main(["lane", "mix.wav", "--reference", "same.wav", "--json"]) == 0
        printed.append(capsys.readouterr().out)
    assert printed[0] == printed[1]
    assert len(list((folder / "cache").rglob("*.sections"))) == 2


def test_another_rate_is_compared_in_the_bands_both_have(capsys: pytest.CaptureFixture[str]) -> None:
    soundfile.write("low.wav", noise(1, rate_hz=11_025), 11_025, subtype="FLOAT")
    assert main(["lane", "mix.wav", "--reference", "low.wav", "--json"]) == 0
    bands = json.loads(capsys.readouterr().out)["bands"]
    assert [band["difference_db"] is not None for band in bands] == [band["high_hz"] <= 11_025 / 2 for band in bands]


def test_one_bad_reference_is_told_and_the_others_are_compared(capsys: pytest.CaptureFixture[str]) -> None:
    soundfile.write("silent.wav", np.zeros((8 * RATE_HZ, 2)), RATE_HZ)
    assert main(["lane", "mix.wav", "--reference", "silent.wav", "--reference", "same.wav"]) == 1
    captured = capsys.readouterr()
    assert "silent" in one_line(captured.err)
    assert captured.out.startswith("Against 'same.wav'")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["none.wav", "--reference", "same.wav"], "none.wav"),
        (["mix.wav", "--reference", "none.wav"], "none.wav"),
        (["mix.wav", "--reference", "short.wav"], "short.wav"),
        (["short.wav", "--reference", "same.wav"], "short.wav"),
        (["silent.wav", "--reference", "same.wav"], "silent.wav"),
        (["mix.wav@0:20-0:40", "--reference", "same.wav"], "outside the file"),
        (["mix.wav", "--reference", "same.wav@2-3"], "too short"),
        (["mix.wav", "--reference", "text.wav"], "text.wav"),
        (["mix.wav", *["--reference", "same.wav"] * 6], "6 references"),
    ],
)
def test_what_is_wrong_is_one_sentence(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    soundfile.write("silent.wav", np.zeros((8 * RATE_HZ, 2)), RATE_HZ)
    soundfile.write("short.wav", noise(2, 2.0), RATE_HZ)
    Path("text.wav").write_text("no sound")
    assert main(["lane", *words]) == 2
    captured = capsys.readouterr()
    assert said in one_line(captured.err)
    assert captured.out == ""
