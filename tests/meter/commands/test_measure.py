"""`earwitness measure` on good files, many files and hostile ones: right exit code, one sentence, no traceback."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dsp.core.signals import tone
from meter.cli import main

KEYS = {
    "loudness.momentary_max_lufs", "loudness.short_term_max_lufs", "loudness.integrated_lufs", "loudness.range_lu",
    "peaks.true_max_dbtp", "peaks.sample_max_dbfs", "peaks.to_loudness_lu", "vu.max_vu", "stereo.correlation",
    "stereo.low_correlation", "stereo.balance_db", "mono_lows.fold_down_loss_db", "mono_lows.balance_db",
    "file", "rate_hz", "channels", "seconds",
}  # fmt: skip


def write(path: Path, samples: np.ndarray, rate: int = 48_000, subtype: str = "FLOAT") -> Path:
    soundfile.write(path, samples, rate, subtype=subtype)
    return path


def sine(channels: int = 2, rate: int = 48_000, seconds: float = 4.0) -> np.ndarray:
    return tone(997.0, -20.0, seconds, rate, channels)


def measure(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, list[dict], str]:
    code = main(["measure", "--json", *map(str, words)])
    caught = capsys.readouterr()
    return code, [json.loads(line) for line in caught.out.splitlines()], caught.err


def test_every_reading_of_a_tone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, [found], _ = measure(capsys, write(tmp_path / "tone.wav", sine()))
    assert code == 0
    assert set(found) - {"why"} == KEYS
    assert found["rate_hz"] == 48_000
    assert found["channels"] == 2
    assert found["seconds"] == 4.0
    # EBU Tech 3341 note on the 997 Hz anchor: a stereo sine reads its peak level.
    assert found["loudness.short_term_max_lufs"] == pytest.approx(-20.0, abs=0.1)
    assert found["loudness.integrated_lufs"] == pytest.approx(-20.0, abs=0.1)
    assert found["peaks.true_max_dbtp"] == pytest.approx(-20.0, abs=0.1)
    assert found["peaks.to_loudness_lu"] == pytest.approx(0.0, abs=0.1)
    assert found["stereo.correlation"] == pytest.approx(1.0)
    assert found["stereo.balance_db"] == pytest.approx(0.0, abs=0.001)
    assert found["vu.max_vu"] == pytest.approx(-1.9, abs=0.1)  # with the movement's own overshoot of 1.25 %


def test_silence_is_null_with_its_reason(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, [found], _ = measure(capsys, write(tmp_path / "silence.wav", np.zeros((96_000, 2))))
    assert code == 0
    assert found["loudness.integrated_lufs"] is None
    assert found["why"]["peaks.true_max_dbtp"] == "silence"
    assert set(found["why"]) == {key for key, value in found.items() if value is None}


@pytest.mark.parametrize("rate", [8_000, 11_025, 44_100, 96_000, 192_000])
def test_any_rate(tmp_path: Path, capsys: pytest.CaptureFixture[str], rate: int) -> None:
    # Below 44.1 kHz the bilinear shelf is squeezed towards half the rate: 0.12 dB at 997 Hz for 8 kHz.
    doubt = 0.1 if rate >= 44_100 else 0.15
    code, [found], _ = measure(capsys, write(tmp_path / "tone.wav", sine(rate=rate), rate))
    assert code == 0
    assert found["loudness.integrated_lufs"] == pytest.approx(-20.0, abs=doubt)


@pytest.mark.parametrize("channels", [1, 3, 6, 8, 32])
def test_any_number_of_channels(tmp_path: Path, capsys: pytest.CaptureFixture[str], channels: int) -> None:
    code, [found], _ = measure(capsys, write(tmp_path / "tone.wav", sine(channels)))
    assert code == 0
    assert found["channels"] == channels
    assert found["loudness.integrated_lufs"] is not None
    assert (found["stereo.correlation"] is None) == (channels == 1)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e38])
def test_samples_that_are_no_numbers_poison_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], bad: float
) -> None:
    samples = sine(seconds=8.0).astype(np.float32)
    samples[100_000, 0] = bad
    code, [found], _ = measure(capsys, write(tmp_path / "bad.wav", samples))
    assert code == 0
    assert found["invalid_samples"] == 1
    assert "not numbers" in found["notes"][0]
    assert found["loudness.integrated_lufs"] == pytest.approx(-20.0, abs=0.1)
    assert found["peaks.true_max_dbtp"] == pytest.approx(-20.0, abs=0.1)


@pytest.mark.parametrize("bad", [np.nan, 1e38])
def test_a_file_of_nothing_but_invalid_samples_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], bad: float
) -> None:
    code, [found], _ = measure(capsys, write(tmp_path / "bad.wav", np.full((96_000, 2), bad, dtype=np.float32)))
    assert code == 0
    assert found["loudness.integrated_lufs"] is None
    assert "holds no valid sample" in found["notes"][0]


@pytest.mark.parametrize("level_dbfs", [6.0, 40.0])
def test_a_float_file_over_full_scale_is_measured(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], level_dbfs: float
) -> None:
    _, [found], _ = measure(capsys, write(tmp_path / "hot.wav", tone(997.0, level_dbfs, 4.0, 48_000, 2)))
    assert found["loudness.integrated_lufs"] == pytest.approx(level_dbfs, abs=0.1)
    assert "notes" not in found


def test_what_lies_below_the_absolute_gate_is_not_called_silence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # BS.1770-5 Annex 1: blocks at or below -70 LKFS do not count; this tone reads -71.
    _, [found], _ = measure(capsys, write(tmp_path / "faint.wav", tone(997.0, -71.0, 4.0, 48_000, 2)))
    assert found["loudness.short_term_max_lufs"] == pytest.approx(-71.0, abs=0.1)
    assert found["loudness.integrated_lufs"] is None
    assert "absolute gate" in found["why"]["loudness.integrated_lufs"]
    assert "-70 LUFS" in found["why"]["loudness.integrated_lufs"]
    assert "silence" not in found["why"]["loudness.integrated_lufs"]
    # The energy gate of stereo and mono figures lies at -60 dBFS (common practice, no source).
    for key in ("stereo.correlation", "stereo.balance_db", "mono_lows.fold_down_loss_db"):
        assert "-60 dBFS" in found["why"][key], key


HOSTILE = {
    "empty.wav": b"",
    "text.wav": b"these are words, not sound\n" * 40,
    "header.wav": b"RIFF\x00\x00\x00\x00WAVE",
    "noise.flac": bytes(range(256)) * 16,
}


@pytest.mark.parametrize("name", HOSTILE)
def test_what_is_no_sound_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    (tmp_path / name).write_bytes(HOSTILE[name])
    code, found, err = measure(capsys, tmp_path / name)
    assert code == 2
    assert found == []
    assert len(err.strip().splitlines()) == 1
    assert name in err


def test_what_is_not_there_or_an_empty_folder_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for path in (tmp_path / "gone.wav", tmp_path):
        code, found, err = measure(capsys, path)
        assert (code, found) == (2, [])
        assert len(err.strip().splitlines()) == 1
        assert path.name in err


def test_a_truncated_file_is_measured_as_far_as_it_goes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = write(tmp_path / "whole.wav", sine())
    short = tmp_path / "short.wav"
    short.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    code, [found], _ = measure(capsys, short)
    assert code == 0
    assert found["seconds"] == pytest.approx(2.0, abs=0.1)
    assert found["notes"]


def test_a_broken_file_does_not_stop_the_others(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "b.wav").write_bytes(b"broken")
    for name in ("a.wav", "c.flac"):
        soundfile.write(tmp_path / name, sine(seconds=1.0), 48_000)
    code, found, err = measure(capsys, tmp_path)
    assert code == 1
    assert [Path(item["file"]).name for item in found] == ["a.wav", "c.flac"]
    assert "b.wav" in err


def test_csv_has_a_header_and_a_line_for_each_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write(tmp_path / "a.wav", sine(seconds=1.0))
    write(tmp_path / "b.wav", sine(seconds=1.0))
    assert main(["measure", "--csv", str(tmp_path)]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [Path(row["file"]).name for row in rows] == ["a.wav", "b.wav"]
    assert float(rows[0]["loudness.integrated_lufs"]) == pytest.approx(-20.0, abs=0.1)


def test_the_table_names_what_could_not_be_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["measure", str(write(tmp_path / "mono.wav", sine(1)))]) == 0
    shown = capsys.readouterr().out
    assert "– needs two channels" in shown


def test_measuring_needs_neither_a_window_nor_a_sound_device(tmp_path: Path) -> None:
    """A module of that name that refuses to load stands before the real one."""
    for name in ("PySide6", "sounddevice", "pyqtgraph"):
        (tmp_path / f"{name}.py").write_text(f"raise ImportError('{name} is blocked')\n", encoding="utf-8")
    path = write(tmp_path / "tone.wav", sine(seconds=1.0))
    done = subprocess.run(
        [sys.executable, "-m", "meter", "measure", "--json", str(path)],
        env={**os.environ, "PYTHONPATH": str(tmp_path)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["channels"] == 2


def test_progress_is_not_drawn_into_a_pipe(tmp_path: Path) -> None:
    path = write(tmp_path / "tone.wav", sine(seconds=1.0))
    done = subprocess.run(
        [sys.executable, "-m", "meter", "measure", str(path)], capture_output=True, text=True, check=True
    )
    assert done.stderr == ""
