"""Decimation to about 4 kHz: flat where it matters, clean where it folds, the same at any block size."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.mid_rate import MidRate

RATES = [8000, 11_025, 22_050, 32_000, 44_100, 48_000, 96_000, 192_000]


def level_db(rate_hz: int, frequency_hz: float) -> float:
    stage = MidRate(rate_hz, 1)
    t = np.arange(rate_hz) / rate_hz
    samples, _ = stage.push(np.sin(2 * np.pi * frequency_hz * t)[:, None])
    settled = samples[len(samples) // 4 :]
    return 10 * np.log10(2 * (settled**2).mean())


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("frequency_hz", [20.0, 60.0, 120.0, 1000.0])
def test_pass_band(rate_hz: int, frequency_hz: float) -> None:
    assert level_db(rate_hz, frequency_hz) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_what_would_fold_is_gone(rate_hz: int) -> None:
    low_rate = MidRate(rate_hz, 1).rate_hz
    for frequency in (0.63 * low_rate, low_rate - 60.0, 2 * low_rate + 60.0):
        assert level_db(rate_hz, frequency) < -79.0


def test_a_low_rate_passes_unchanged() -> None:
    signal = np.random.default_rng(0).standard_normal((100, 2))
    samples, power = MidRate(4000, 2).push(signal)
    np.testing.assert_allclose(samples, signal)
    np.testing.assert_allclose(power, (signal**2).mean(axis=1))


@pytest.mark.parametrize("block", [1, 11, 480, 4097])
def test_block_sizes(block: int) -> None:
    signal = np.random.default_rng(1).standard_normal((9600, 2))
    whole = MidRate(48_000, 2).push(signal)
    stage = MidRate(48_000, 2)
    pieces = [stage.push(signal[start : start + block]) for start in range(0, len(signal), block)]
    for index in (0, 1):
        np.testing.assert_allclose(np.concatenate([piece[index] for piece in pieces]), whole[index], atol=1e-12)


def test_full_band_power_is_kept_beside() -> None:
    signal = np.random.default_rng(2).standard_normal((48_000, 2))
    _, power = MidRate(48_000, 2).push(signal)
    assert power.mean() == pytest.approx((signal**2).mean())


def test_lost_frames_come_out_as_nan_and_no_further() -> None:
    stage = MidRate(48_000, 1)
    before, _ = stage.push(np.ones((4800, 1)))
    lost, _ = stage.skip(4800)
    after, power = stage.push(np.ones((4800, 1)))
    assert np.isfinite(before).all()
    assert np.isnan(lost).all()
    assert len(lost) == 400
    assert np.isnan(after).sum() == 20
    assert np.isfinite(power).all()
    assert after[-1, 0] == pytest.approx(1.0, abs=1e-3)


def test_a_very_long_gap_is_flushed_in_bounded_memory() -> None:
    stage = MidRate(48_000, 1)
    samples, _ = stage.skip(48_000 * 3600 + 5)
    assert len(samples) <= 60 * 4000 + 1
    assert len(stage.push(np.zeros((7, 1)))[0]) == 1


def test_delay_is_that_of_an_impulse() -> None:
    stage = MidRate(48_000, 1)
    pulse = np.zeros((4800, 1))
    pulse[2400] = 1.0
    samples, _ = stage.push(pulse)
    centre = (samples[:, 0] ** 2 * np.arange(len(samples))).sum() / (samples[:, 0] ** 2).sum()
    # Sample n is complete with input frame 12 n + 11.
    assert (centre * 12 + 11 - 2400) / 48_000 == pytest.approx(stage.delay_seconds, abs=2e-5)


def test_wrong_shape_is_refused() -> None:
    with pytest.raises(ValueError, match="expected"):
        MidRate(48_000, 2).push(np.zeros((10, 1)))
