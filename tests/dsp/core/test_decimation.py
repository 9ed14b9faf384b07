"""The low rate is flat where it is used, free of aliases, and equal to the plain convolution."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.decimation import OUTPUTS_PER_PRODUCT, PASS_HZ, Decimator, low_rate_factor
from dsp.core.signals import tone

RATES_HZ = (8_000, 11_025, 22_050, 44_100, 48_000, 96_000, 192_000)


@pytest.mark.parametrize(
    ("rate_hz", "factor"),
    [(1_000, 1), (8_000, 8), (11_025, 11), (44_100, 45), (48_000, 48), (88_200, 90), (192_000, 192)],
)
def test_the_low_rate_is_near_a_kilohertz(rate_hz: int, factor: int) -> None:
    assert low_rate_factor(rate_hz) == factor


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_gain_in_the_pass_band_and_of_what_folds_into_it(rate_hz: int) -> None:
    decimator = Decimator(rate_hz, low_rate_factor(rate_hz))
    for frequency_hz, least_db, most_db in (
        (20.0, -0.001, 0.001),
        (120.0, -0.001, 0.001),
        (PASS_HZ, -0.001, 0.001),
        (decimator.low_rate_hz - PASS_HZ, -np.inf, -99.0),
        (decimator.low_rate_hz - 50.0, -np.inf, -99.0),
        (2.0 * decimator.low_rate_hz + 100.0, -np.inf, -99.0),
    ):
        if frequency_hz < rate_hz / 2:
            taps = decimator._matrix[0, : decimator.history_frames + decimator._factor]
            turns = np.exp(-2j * np.pi * frequency_hz / rate_hz * np.arange(len(taps)))
            gain_db = 20.0 * np.log10(abs(taps @ turns))
            assert least_db <= gain_db <= most_db, frequency_hz


def test_outputs_are_the_convolution_picked_at_the_end_of_each_group() -> None:
    rng = np.random.default_rng(2)
    decimator = Decimator(8_000, 8)
    signal = rng.standard_normal((decimator.history_frames + 3 * OUTPUTS_PER_PRODUCT * 8, 2))
    result = decimator.apply(signal)
    taps = decimator._matrix[0, : decimator.history_frames + 8]
    for channel in range(2):
        wanted = np.convolve(signal[:, channel], taps, "valid")[::8]
        np.testing.assert_allclose(result[:, channel], wanted, atol=1e-12)


def test_the_delay_is_that_of_the_output() -> None:
    decimator = Decimator(48_000, 48)
    frames = decimator.history_frames + 480 * 10
    result = decimator.apply(tone(100.0, 0.0, frames / 48_000, 48_000))
    ends_at = (decimator.history_frames + 48 * np.arange(1, len(result) + 1) - 1) / 48_000
    wanted = np.sin(2.0 * np.pi * 100.0 * (ends_at - decimator.delay_seconds))
    np.testing.assert_allclose(result[:, 0], wanted, atol=1e-4)


def test_a_rate_that_is_low_already_passes_through() -> None:
    decimator = Decimator(1_000, 1)
    signal = np.random.default_rng(1).standard_normal((20, 3))
    assert decimator.history_frames == 0
    np.testing.assert_array_equal(decimator.apply(signal), signal)


def test_a_length_that_does_not_fit_is_refused() -> None:
    decimator = Decimator(48_000, 48)
    with pytest.raises(ValueError, match="multiple of 480"):
        decimator.apply(np.zeros((decimator.history_frames + 481, 2)))
    with pytest.raises(ValueError, match="multiple of 480"):
        decimator.apply(np.zeros((decimator.history_frames, 2)))
