"""Weighting filters and averages: any blocks, low rates, reset, silence. Figures of the standard: tests/published."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import bilinear_zpk, freqz_zpk, sosfreqz, tf2zpk

from dsp.core.signals import silence, tone, white_noise
from dsp.core.units import power_to_db
from dsp.exposure.frequency_weighting import (
    FAST_SECONDS,
    POLES_HZ,
    SLOW_SECONDS,
    TimeWeighting,
    WeightedEnergy,
    Weighting,
    WeightingFilter,
    weighting_db,
    weighting_sos,
)
from tests.support.processors import BLOCK_SIZES, blocks, random_sizes

both = pytest.mark.parametrize("weighting", ["A", "C"])
RATES_HZ = [8000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 96_000, 192_000]


def plain_bilinear_db(hz: float, rate_hz: int) -> float:
    """A weighting by the plain bilinear transform, scaled at 1 kHz."""
    f1, f2, f3, f4 = (-2.0 * math.pi * pole for pole in POLES_HZ)
    z, p, k = bilinear_zpk([0.0] * 4, [f1, f1, f2, f3, f4, f4], 1.0, rate_hz)
    _, response = freqz_zpk(z, p, k, [hz, 1000.0], fs=rate_hz)
    return float(20.0 * np.log10(np.abs(response[0] / response[1])))


def test_why_the_top_pole_pair_is_matched_in_magnitude() -> None:
    wanted = float(weighting_db(np.array([16_000.0]), "A")[0])
    assert plain_bilinear_db(16_000.0, 44_100) - wanted < -8.0
    _, response = sosfreqz(weighting_sos(44_100, "A"), [16_000.0], fs=44_100)
    assert 20.0 * np.log10(np.abs(response[0])) == pytest.approx(wanted, abs=0.03)


@both
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_low_rates_stay_within_0_6_db_below_nine_tenths_of_their_half(weighting: Weighting, rate_hz: int) -> None:
    hz = np.geomspace(20.0, min(16_000.0, 0.45 * rate_hz), 300)
    _, response = sosfreqz(weighting_sos(rate_hz, weighting), hz, fs=rate_hz)
    assert np.abs(20.0 * np.log10(np.abs(response)) - weighting_db(hz, weighting)).max() < 0.6


@both
@pytest.mark.parametrize("rate_hz", [1000, 2000, *RATES_HZ, 768_000])
def test_poles_and_zeros_lie_inside_the_unit_circle(weighting: Weighting, rate_hz: int) -> None:
    for section in weighting_sos(rate_hz, weighting):
        zeros, poles, _ = tf2zpk(section[:3], section[3:])
        assert np.abs(poles).max(initial=0.0) < 1.0
        assert np.abs(zeros).max(initial=0.0) <= 1.0 + 1e-6


@both
def test_zero_hertz_is_minus_infinity(weighting: Weighting) -> None:
    assert weighting_db(np.array([0.0]), weighting)[0] == -math.inf


@both
@pytest.mark.parametrize("size", BLOCK_SIZES)
def test_any_block_size_gives_the_same_filtered_signal(weighting: Weighting, size: int) -> None:
    signal = white_noise(np.random.default_rng(3), -20.0, 0.05 if size == 1 else 0.5, 48_000, 2)
    pieces = WeightingFilter(weighting, 48_000, 2)
    got = np.concatenate([pieces.process(block) for block in blocks(signal, [size])])
    np.testing.assert_allclose(got, WeightingFilter(weighting, 48_000, 2).process(signal), rtol=0.0, atol=1e-12)


@pytest.mark.parametrize("seconds", [FAST_SECONDS, SLOW_SECONDS])
@pytest.mark.parametrize("seed", [1, 2])
def test_time_weighting_in_random_blocks(seconds: float, seed: int) -> None:
    signal = white_noise(np.random.default_rng(4), -20.0, 0.5, 48_000, 2)
    pieces = TimeWeighting(seconds, 48_000, 2)
    got = np.concatenate([pieces.process(block) for block in blocks(signal, random_sizes(seed))])
    np.testing.assert_allclose(got, TimeWeighting(seconds, 48_000, 2).process(signal), rtol=1e-12)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 192_000])
@pytest.mark.parametrize("seconds", [FAST_SECONDS, SLOW_SECONDS])
def test_after_one_time_constant_63_per_cent_of_a_step_is_there(seconds: float, rate_hz: int) -> None:
    power = TimeWeighting(seconds, rate_hz, 1).process(np.ones((round(seconds * rate_hz), 1)))
    assert power[-1, 0] == pytest.approx(1.0 - math.exp(-1.0), rel=1e-4)


@pytest.mark.parametrize("size", BLOCK_SIZES)
def test_exposure_in_any_blocks(size: int) -> None:
    signal = white_noise(np.random.default_rng(6), -20.0, 0.05 if size == 1 else 0.5, 48_000, 2)
    whole, pieces = WeightedEnergy("A", 48_000, 2), WeightedEnergy("A", 48_000, 2)
    whole.process(signal)
    for block in blocks(signal, [size]):
        pieces.process(block)
    for name in ("mean_power", "exposure", "peak"):
        np.testing.assert_allclose(getattr(pieces, name), getattr(whole, name), rtol=1e-9)


def test_exposure_level_is_the_average_over_one_second() -> None:
    exposure = WeightedEnergy("A", 48_000, 1)
    exposure.process(tone(1000.0, -20.0, 10.0, 48_000))
    assert power_to_db(float(exposure.exposure[0] / exposure.mean_power[0])) == pytest.approx(10.0, abs=1e-9)


def test_nothing_heard_is_not_yet_and_silence_is_silence() -> None:
    exposure = WeightedEnergy("C", 48_000, 2)
    assert np.isnan(exposure.mean_power).all()
    exposure.process(np.empty((0, 2)))
    assert np.isnan(exposure.mean_power).all()
    exposure.process(silence(0.1, 48_000, 2))
    np.testing.assert_array_equal(power_to_db(exposure.mean_power), [-math.inf, -math.inf])
    np.testing.assert_array_equal(exposure.peak, [0.0, 0.0])


def test_reset_is_a_fresh_start() -> None:
    signal = white_noise(np.random.default_rng(7), -20.0, 0.2, 48_000, 1)
    used, fresh = WeightedEnergy("A", 48_000, 1), WeightedEnergy("A", 48_000, 1)
    used.process(np.ones((4800, 1)))
    used.reset()
    for exposure in (used, fresh):
        exposure.process(signal)
    np.testing.assert_array_equal(used.mean_power, fresh.mean_power)
    average = TimeWeighting(FAST_SECONDS, 48_000, 1)
    average.process(signal)
    average.reset()
    np.testing.assert_array_equal(average.process(signal), TimeWeighting(FAST_SECONDS, 48_000, 1).process(signal))


def test_tails_end_in_zero() -> None:
    average = TimeWeighting(FAST_SECONDS, 48_000, 1)
    average.process(np.ones((480, 1)))
    for _ in range(12):
        last = average.process(silence(1.0, 48_000))
    assert last[-1, 0] == 0.0
    assert average.process(np.empty((0, 1))).shape == (0, 1)
