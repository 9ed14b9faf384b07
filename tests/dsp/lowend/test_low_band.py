"""The low end's bands: edges, any rate, any block size, gaps, and the plain filter beside it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from dsp.core.signals import pink_noise, tone
from dsp.lowend.low_band import HOP_SAMPLES, LOW_BANDS_HZ, LowBand
from tests.support.processors import BLOCK_SIZES, blocks, random_sizes

RATES_HZ = (8_000, 11_025, 22_050, 44_100, 48_000, 96_000, 192_000)


def levels_db(rate_hz: int, signal: np.ndarray, settle_seconds: float = 1.0) -> np.ndarray:
    """Level of each band re a full-scale sine, after settling."""
    low_band = LowBand(rate_hz, signal.shape[1])
    bands = low_band.process(signal)
    skip = int(settle_seconds / low_band.hop_seconds)
    return 10.0 * np.log10(2.0 * (bands[skip:] ** 2).mean(axis=(0, 2, 3)))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_edges_are_3_db_down_and_middles_flat_at_every_rate(rate_hz: int) -> None:
    for index, (low_hz, high_hz) in enumerate(LOW_BANDS_HZ):
        middle_hz = np.sqrt(low_hz * high_hz)
        for frequency_hz, wanted_db in ((low_hz, -3.0103), (high_hz, -3.0103), (middle_hz, 0.0)):
            level = levels_db(rate_hz, tone(frequency_hz, 0.0, 5.0, rate_hz))[index]
            assert level == pytest.approx(wanted_db, abs=0.05), (index, frequency_hz)


def test_slopes_are_24_db_an_octave_or_more() -> None:
    below = levels_db(48_000, tone(10.0, 0.0, 5.0, 48_000), 2.0)
    above = levels_db(48_000, tone(240.0, 0.0, 5.0, 48_000), 2.0)
    assert below[0] < -24.0
    assert above[0] < -24.0


def test_noise_reads_the_same_at_every_rate() -> None:
    base = pink_noise(np.random.default_rng(4), -20.0, 10.0, 8_000, band_hz=(5.0, 400.0))
    wanted = levels_db(8_000, base)
    spectrum = np.fft.rfft(base[:, 0])
    for rate_hz in (11_025, 44_100, 96_000):
        frames = rate_hz * 10
        padded = np.zeros(frames // 2 + 1, dtype=complex)
        padded[: len(spectrum)] = spectrum
        same = np.fft.irfft(padded, frames)[:, None] * frames / len(base)
        np.testing.assert_allclose(levels_db(rate_hz, same), wanted, atol=0.1)


def test_against_the_filter_run_at_the_full_rate() -> None:
    signal = pink_noise(np.random.default_rng(5), -20.0, 20.0, 48_000)
    levels = levels_db(48_000, signal)
    for index, edges in enumerate(LOW_BANDS_HZ):
        plain = sosfilt(butter(4, edges, "bandpass", fs=48_000, output="sos"), signal, axis=0)[48_000:]
        assert levels[index] == pytest.approx(10.0 * np.log10(2.0 * np.mean(plain**2)), abs=0.1)


@pytest.mark.parametrize("rate_hz", [11_025, 48_000])
@pytest.mark.parametrize("sizes", [*([size] for size in BLOCK_SIZES[1:]), random_sizes(3)], ids=str)
def test_blocks_do_not_matter(rate_hz: int, sizes: list[int]) -> None:
    signal = np.random.default_rng(6).standard_normal((rate_hz, 3))
    whole = LowBand(rate_hz, 3).process(signal)
    low_band = LowBand(rate_hz, 3)
    pieces = np.concatenate([low_band.process(block) for block in blocks(signal, sizes)])
    np.testing.assert_array_equal(pieces, whole)


def test_channels_do_not_touch_each_other() -> None:
    signal = np.random.default_rng(7).standard_normal((48_000, 32))
    together = LowBand(48_000, 32).process(signal)
    assert together.shape[1:] == (5, HOP_SAMPLES, 32)
    alone = LowBand(48_000, 1).process(signal[:, 17:18])
    np.testing.assert_allclose(together[..., 17:18], alone, atol=1e-12)


def test_a_gap_loses_its_hops_and_the_settling_then_the_level_is_back() -> None:
    signal = tone(50.0, -10.0, 3.0, 48_000)
    low_band = LowBand(48_000, 1)
    before = low_band.process(signal)
    lost = low_band.skip(4_800 + 7)
    after = low_band.process(signal)
    assert np.isfinite(before).all()
    assert len(lost) == 2
    assert np.isnan(lost).all()
    settled = np.isfinite(after).all(axis=(1, 2, 3))
    assert not settled[:6].any()
    assert settled[7:].all()
    level = 10.0 * np.log10(2.0 * np.mean(after[7:, 2] ** 2))
    assert level == pytest.approx(-10.0, abs=0.1)
    assert np.isnan(low_band.skip(0)).sum() == 0


def test_reset_and_what_is_not_a_number() -> None:
    signal = np.random.default_rng(8).standard_normal((24_000, 2))
    low_band = LowBand(48_000, 2)
    wanted = low_band.process(signal)
    bad = signal.copy()
    bad[100, 1] = np.nan
    low_band.process(bad)
    assert np.isfinite(low_band.process(signal)[2:]).all()
    low_band.reset()
    np.testing.assert_array_equal(low_band.process(signal), wanted)
    assert low_band.process(np.empty((0, 2))).shape == (0, 5, HOP_SAMPLES, 2)


def test_delay_is_where_the_envelope_comes_out() -> None:
    low_band = LowBand(48_000, 1)
    time = np.arange(48_000 * 4) / 48_000
    for index, (low_hz, high_hz) in enumerate(LOW_BANDS_HZ[1:], start=1):
        middle_hz = np.sqrt(low_hz * high_hz)
        envelope = np.exp(-0.5 * ((time - 2.0) / 0.15) ** 2)
        low_band.reset()
        signal = (envelope * np.sin(2.0 * np.pi * middle_hz * time))[:, None]
        power = low_band.process(signal)[:, index, :, 0].ravel() ** 2
        middle = np.sum(power * np.arange(len(power))) / np.sum(power) / low_band.low_rate_hz
        assert middle - 2.0 == pytest.approx(low_band.delay_seconds(index), abs=0.003)
    assert low_band.delay_seconds(1) > low_band.delay_seconds(0)
