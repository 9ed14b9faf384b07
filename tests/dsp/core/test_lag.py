"""Lags, polarity and gain of one signal in another."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from dsp.core.lag import find_lag

NOISE = np.random.default_rng(21).standard_normal((8000, 2))


@pytest.mark.parametrize("lag", [-150, -1, 0, 7, 150])
@pytest.mark.parametrize("gain", [1.0, -0.5])
def test_lag_and_gain(lag: int, gain: float) -> None:
    found = find_lag(NOISE, gain * np.roll(NOISE, lag, axis=0), 200)
    assert found.frames == pytest.approx(lag, abs=0.05)
    assert found.gain == pytest.approx(gain, rel=0.05)
    assert found.sure


def test_a_fraction_of_a_frame() -> None:
    """A third of a frame by a linear phase in the spectrum; on low sound the parabola is exact to some hundredths."""
    low = gaussian_filter1d(NOISE[:, :1], 10.0, axis=0) * np.hanning(8000)[:, None]
    spectrum = np.fft.rfft(low, axis=0) * np.exp(-2j * np.pi * np.fft.rfftfreq(8000) / 3)[:, None]
    assert find_lag(low, np.fft.irfft(spectrum, 8000, axis=0), 20).frames == pytest.approx(1 / 3, abs=0.05)


def test_strangers_are_not_lined_up() -> None:
    assert not find_lag(NOISE[:4000], NOISE[4000:], 100).sure


def test_silence_and_one_frame() -> None:
    assert find_lag(NOISE, np.zeros_like(NOISE), 10).correlation == 0.0
    assert find_lag(NOISE[:1], NOISE[:1], 10).frames == 0.0


def test_unequal_shapes_are_refused() -> None:
    with pytest.raises(ValueError, match="lined up"):
        find_lag(NOISE, NOISE[:-1], 10)
