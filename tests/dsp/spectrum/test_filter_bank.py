"""The filters do in time what their response says, at any block size; the ones that cannot exist are refused."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.signals import pink_noise, tone, white_noise
from dsp.spectrum.filter_bank import BandBank, BandPower, butterworth_power, usable
from dsp.spectrum.fractional_octaves import band, bands_between
from tests.support.processors import blocks, random_sizes


@pytest.mark.parametrize("index", [-15, -6, 4, 10, 13])
def test_sines_come_out_as_the_response_says(index: int) -> None:
    item = band(index, 3)
    bank = BandBank(48_000, 1, [item])
    for ratio in (0.8, 0.95, 1.0, 1.1, 1.18):
        frequency_hz = item.mid_hz * ratio
        if frequency_hz > 23_600.0:
            continue
        power = BandPower(bank, 1)
        bank.reset()
        signal = tone(frequency_hz, 0.0, 3.0, 48_000)
        power.process(signal[:48_000])
        power.forget_levels()
        power.process(signal[48_000:])
        wanted = bank.power_response(0, np.array([frequency_hz]))[0]
        assert 2.0 * power.mean_power()[0, 0] == pytest.approx(wanted, rel=0.01)


@pytest.mark.parametrize("sizes", [[1, 2, 3], [64], [65], [480], [8193], random_sizes(5)], ids=str)
def test_blocks_do_not_matter(sizes: list[int]) -> None:
    bands = bands_between(31.5, 16_000.0, 1)
    signal = white_noise(np.random.default_rng(1), -20.0, 0.02 if max(sizes) < 10 else 0.2, 48_000, channels=2)
    whole = BandBank(48_000, 2, bands).process(signal)
    bank = BandBank(48_000, 2, bands)
    pieces = [bank.process(block) for block in blocks(signal, sizes)]
    for index, wanted in enumerate(whole):
        np.testing.assert_allclose(np.concatenate([piece[index] for piece in pieces]), wanted, atol=1e-12)


def test_pink_noise_holds_the_same_power_in_every_third() -> None:
    signal = pink_noise(np.random.default_rng(2), -20.0, 30.0, 48_000, band_hz=(10.0, 24_000.0))
    bands = bands_between(100.0, 10_000.0, 3)
    power = BandPower(BandBank(48_000, 1, bands), 1)
    power.process(signal)
    levels_db = 10.0 * np.log10(power.mean_power()[:, 0])
    wobble_db = 4.34 / np.sqrt(0.23 * 100.0 * 30.0)
    assert np.std(levels_db) < wobble_db
    assert np.ptp(levels_db) < 5.0 * wobble_db


def test_reset_forgets() -> None:
    bank = BandBank(44_100, 1, bands_between(20.0, 16_000.0, 3))
    signal = white_noise(np.random.default_rng(3), -20.0, 0.1, 44_100)
    first = bank.process(signal)
    bank.process(signal[:777])
    bank.reset()
    for wanted, again in zip(first, bank.process(signal), strict=True):
        np.testing.assert_array_equal(again, wanted)
    assert np.isnan(BandPower(bank, 1).mean_power()).all()


def test_a_band_beyond_the_rate_is_refused_by_name() -> None:
    assert not usable(band(13, 3), 44_100)
    assert usable(band(13, 3), 48_000)
    with pytest.raises(ValueError, match="20000 Hz reaches 22387 Hz, too near to half of the rate of 44100 Hz"):
        BandBank(44_100, 1, [band(13, 3)])
    assert BandBank(48_000, 1, []).process(np.zeros((10, 1))) == []


def test_the_ideal_response_is_one_at_mid_band_and_has_no_hole() -> None:
    item = band(0, 3)
    power = butterworth_power(np.array([0.0, item.mid_hz, item.low_hz, item.high_hz]), item)
    np.testing.assert_allclose(power, [0.0, 1.0, power[3], power[2]], atol=1e-12)
    assert -10.0 * np.log10(power[2]) == pytest.approx(3.65, abs=0.01)


@pytest.mark.parametrize("bands_per_octave", [1, 3])
def test_white_noise_passes_as_through_the_ideal_band(bands_per_octave: int) -> None:
    """The power response, added up over frequency, is as wide as from edge to edge (IEC 61260-1:2014, 5.12)."""
    item = band(0, bands_per_octave)
    frequencies_hz = np.linspace(0.5, 60_000.0, 400_000)
    passed_hz = np.trapezoid(butterworth_power(frequencies_hz, item), frequencies_hz)
    assert passed_hz == pytest.approx(item.high_hz - item.low_hz, rel=0.002)
