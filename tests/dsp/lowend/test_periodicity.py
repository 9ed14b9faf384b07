"""Periods of exact tones, of noise, and of opposite channels."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.periodicity import normalised_correlation, periods
from tests.support.low_parts import cents

RATE_HZ = 4000.0
T = np.arange(512) / RATE_HZ


def pitch(frame: np.ndarray) -> tuple[float, float]:
    period, clarity = periods(normalised_correlation(frame.reshape(1, len(frame), -1), 162), 4)
    return RATE_HZ / float(period[0]), float(clarity[0])


@pytest.mark.parametrize("frequency", [27.5, 30.868, 41.203, 55.0, 82.407, 146.832, 246.942, 440.0])
@pytest.mark.parametrize("partials", [(1.0,), (1.0, 0.5, 0.33), (0.1, 1.0, 0.5)])
def test_strings_of_bass_and_guitar(frequency: float, partials: tuple[float, ...]) -> None:
    """Equal temperament, A4 = 440 Hz (ISO 16): lowest piano note, strings of bass and guitar, A4."""
    wave = sum(a * np.sin(2 * np.pi * frequency * (n + 1) * T + n) for n, a in enumerate(partials))
    found, clarity = pitch(np.asarray(wave))
    assert abs(cents(found, frequency)) < 5.0
    assert clarity > 0.9


def test_noise_has_no_period() -> None:
    frames = np.random.default_rng(3).standard_normal((200, 512, 2))
    _, clarity = periods(normalised_correlation(frames, 162), 4)
    assert np.percentile(clarity, 99) < 0.25


def test_opposite_channels_do_not_hide_a_note() -> None:
    wave = np.sin(2 * np.pi * 55.0 * T)
    assert abs(cents(pitch(np.column_stack([wave, -wave]))[0], 55.0)) < 1.0


def test_silence_has_no_period() -> None:
    found, clarity = pitch(np.zeros(512))
    assert np.isnan(found)
    assert clarity == 0.0


def test_similarity_is_that_of_the_definition() -> None:
    """2 sum x_j x_(j+lag) / sum (x_j^2 + x_(j+lag)^2), written out."""
    x = np.random.default_rng(4).standard_normal(100)
    similarity = normalised_correlation(x.reshape(1, 100, 1), 40)[0]
    plain = [2 * (x[: 100 - k] @ x[k:]) / ((x[: 100 - k] ** 2).sum() + (x[k:] ** 2).sum()) for k in range(41)]
    np.testing.assert_allclose(similarity, plain, atol=1e-12)
