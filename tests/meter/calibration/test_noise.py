"""The noise files measured by other means: level in both conventions, equal energy per octave, weightings, sides."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import welch

from dsp.core.types import FloatArray
from meter.calibration.noise import FADE_SECONDS, RATE_HZ, SIDES, file_name, noise_loop, write_noise

SETTLED = int(FADE_SECONDS * RATE_HZ)
OCTAVES = {"band": (707.1, 1414.2), "wide": (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)}
"""Middles of whole octaves inside each band."""


@pytest.fixture(scope="module", params=["band", "wide"])
def files(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, dict[str, FloatArray]]:
    folder = tmp_path_factory.mktemp("noise")
    assert write_noise(folder, request.param) == ""
    found = {}
    for side in SIDES:
        samples, rate_hz = soundfile.read(folder / file_name(request.param, side), always_2d=True)
        assert rate_hz == RATE_HZ
        found[side] = samples
    return request.param, found


def level_db(samples: FloatArray) -> float:
    """Rms re 1.0."""
    return 10.0 * math.log10(np.mean(samples**2)) if samples.any() else -math.inf


@pytest.mark.parametrize(("side", "sounding"), [("left", [0]), ("right", [1]), ("both", [0, 1])])
def test_each_sounding_channel_is_at_minus_20_dbfs_rms_and_the_other_is_silent(
    files: tuple[str, dict[str, FloatArray]], side: str, sounding: list[int]
) -> None:
    """AES17: a full-scale sine, rms -3.01 dB re 1.0, reads 0 dBFS; so -20 dBFS is -23.01 dB re 1.0."""
    samples = files[1][side][SETTLED:]
    for column in (0, 1):
        level = level_db(samples[:, column])
        assert level == (pytest.approx(-23.01, abs=0.1) if column in sounding else -math.inf)
    assert np.abs(samples).max() < 0.5


def test_equal_energy_in_each_octave_and_nothing_outside(files: tuple[str, dict[str, FloatArray]]) -> None:
    kind, sides = files
    hz, density = welch(sides["both"][SETTLED:], RATE_HZ, nperseg=32_768, axis=0)
    step = hz[1]
    for column in (0, 1):
        levels = [
            10.0 * math.log10(density[(hz >= middle / 2**0.5) & (hz < middle * 2**0.5), column].sum() * step)
            for middle in OCTAVES[kind]
        ]
        assert np.ptp(levels) < 0.6
        low, high = (500.0, 2000.0) if kind == "band" else (20.0, 20_000.0)
        outside = density[(hz < low * 0.95) | (hz > high * 1.05), column].sum()
        assert outside < 1e-3 * density[:, column].sum()


@pytest.mark.parametrize("weighting", ["A", "C"])
def test_weighted_level_of_the_noise(files: tuple[str, dict[str, FloatArray]], weighting: str) -> None:
    """Ideal pink noise under the Annex E curves of IEC 61672-1:2013, by integration: see the table in the code."""
    due = {("wide", "A"): -2.86, ("wide", "C"): -1.11, ("band", "A"): -0.16, ("band", "C"): -0.02}
    kind, sides = files
    hz, density = welch(sides["left"][SETTLED:, 0], RATE_HZ, nperseg=32_768)
    squared = hz[1:] ** 2
    gain = 12194.0**2 * squared / ((squared + 20.6**2) * (squared + 12194.0**2))
    if weighting == "A":
        gain = gain * squared / np.sqrt((squared + 107.7**2) * (squared + 737.9**2))
    power = gain**2 * 10 ** ((2.000 if weighting == "A" else 0.062) / 10.0)
    found = 10.0 * math.log10((density[1:] * power).sum() / density[1:].sum())
    assert found == pytest.approx(due[kind, weighting], abs=0.1)


def test_left_and_right_are_unrelated(files: tuple[str, dict[str, FloatArray]]) -> None:
    """Two unrelated equal powers add up to 3.01 dB more than one."""
    left, right = files[1]["both"][SETTLED:].T
    assert abs(np.corrcoef(left, right)[0, 1]) < 0.02
    assert level_db(left + right) - level_db(left) == pytest.approx(3.01, abs=0.15)
    np.testing.assert_array_equal(files[1]["left"][:, 0], files[1]["both"][:, 0])


def test_a_file_starts_softly(files: tuple[str, dict[str, FloatArray]]) -> None:
    samples = files[1]["both"]
    assert level_db(samples[:4800]) < -45.0
    assert len(samples) == 60 * RATE_HZ


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_the_loop_is_exact_and_goes_round_without_a_seam(rate_hz: int) -> None:
    loop = noise_loop("band", "both", rate_hz)
    assert level_db(loop[:, 0]) == pytest.approx(-23.0103, abs=1e-6)
    # No step at the seam is larger than those within.
    steps = np.abs(np.diff(np.concatenate([loop, loop[:1]]), axis=0))
    assert steps[-1].max() <= steps[:-1].max()
    spectrum = np.abs(np.fft.rfft(np.tile(loop[:, 0], 2)))
    assert spectrum[1::2].max() < 1e-6 * spectrum.max(), "two rounds hold only the lines of one"


def test_a_folder_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    sentence = write_noise(tmp_path / "nowhere", "band")
    assert "choose another folder" in sentence
    assert "\n" not in sentence
