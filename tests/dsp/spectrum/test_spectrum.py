"""The live spectrum: resolution, averaging, holding, gaps, odd rates, and a slow transform beside it."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.signals import silence, tone, white_noise
from dsp.core.units import power_to_db
from dsp.spectrum.spectrum import FINE_HZ, HOLD_FALL_DB_PER_SECOND, THIRD_OCTAVES, LiveSpectrum

RATES_HZ = (8_000, 11_025, 22_050, 44_100, 48_000, 96_000, 192_000)


def of(signal: np.ndarray, rate_hz: int = 48_000) -> LiveSpectrum:
    spectrum = LiveSpectrum(rate_hz, signal.shape[1])
    spectrum.process(signal)
    return spectrum


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_two_sines_5_hz_apart_stand_apart_at_any_phase(rate_hz: int) -> None:
    for phase in (0.0, 90.0, 180.0, 270.0):
        pair = tone(41.0, -20.0, 1.5, rate_hz) + tone(46.0, -20.0, 1.5, rate_hz, phase_degrees=phase)
        fine = power_to_db(of(pair, rate_hz).fine)
        first, second = fine[41 - 20], fine[46 - 20]
        dip = fine[43 - 20 : 45 - 20].min()
        assert min(first, second) - dip > 3.0, phase
        assert first == pytest.approx(-20.0, abs=2.5)
        assert second == pytest.approx(-20.0, abs=2.5)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_the_fine_view_peaks_at_the_sines_own_hertz(rate_hz: int) -> None:
    for frequency_hz in (20.0, 55.0, 123.0, 240.0):
        fine = of(tone(frequency_hz, -12.0, 1.0, rate_hz, channels=2), rate_hz).fine
        assert FINE_HZ[int(np.argmax(fine))] == frequency_hz
        assert power_to_db(fine).max() == pytest.approx(-12.0, abs=0.05)


def test_a_sine_half_way_between_two_steps_reads_half_a_decibel_low() -> None:
    fine = power_to_db(of(tone(60.5, 0.0, 1.0, 48_000)).fine)
    assert fine.max() == pytest.approx(-0.5, abs=0.1)


def test_one_of_two_channels_reads_3_db_less() -> None:
    spectrum = of(tone(1000.0, 0.0, 1.0, 48_000, channels=2) * [1.0, 0.0])
    assert power_to_db(spectrum.third_octave[17]) == pytest.approx(-3.01, abs=0.05)


def test_channels_never_cancel() -> None:
    spectrum = of(tone(1000.0, 0.0, 1.0, 48_000, channels=2) * [1.0, -1.0])
    assert power_to_db(spectrum.third_octave[17]) == pytest.approx(0.0, abs=0.05)


def test_white_noise_against_a_transform_of_the_whole() -> None:
    signal = white_noise(np.random.default_rng(1), -20.0, 40.0, 48_000)
    spectrum = LiveSpectrum(48_000, 1)
    spectrum.set_time_constant(1e6)
    spectrum.process(signal)
    power = np.abs(np.fft.rfft(signal[:, 0])) ** 2 * 4.0 / len(signal) ** 2
    frequencies = np.fft.rfftfreq(len(signal), 1.0 / 48_000)
    for index in (0, 5, 10, 11, 20, 30):
        item = THIRD_OCTAVES[index]
        wanted = power_to_db(power[(frequencies > item.low_hz) & (frequencies < item.high_hz)].sum())
        assert power_to_db(spectrum.third_octave[index]) == pytest.approx(wanted, abs=0.5), item.nominal_hz


def test_bands_above_half_the_rate_are_not_there_and_a_cut_one_counts_what_is_left() -> None:
    spectrum = of(white_noise(np.random.default_rng(2), -20.0, 2.0, 8_000), 8_000)
    above = np.array([item.mid_hz >= 4_000.0 for item in THIRD_OCTAVES])
    np.testing.assert_array_equal(np.isnan(spectrum.third_octave), above)
    np.testing.assert_array_equal(np.isnan(spectrum.third_octave_hold), above)
    assert np.isfinite(of(white_noise(np.random.default_rng(2), -20.0, 2.0, 44_100), 44_100).third_octave).all()


def test_nothing_is_read_before_a_whole_window() -> None:
    spectrum = LiveSpectrum(48_000, 1)
    spectrum.process(tone(100.0, 0.0, 0.1, 48_000))
    assert np.isnan(spectrum.third_octave).all()
    spectrum.process(tone(100.0, 0.0, 0.1, 48_000))
    assert np.isnan(spectrum.fine).all()
    assert np.isfinite(spectrum.third_octave[11:]).all()
    spectrum.process(tone(100.0, 0.0, 0.5, 48_000))
    assert np.isfinite(spectrum.fine).all()


@pytest.mark.parametrize("seconds", [0.125, 1.0, 3.0])
def test_the_average_follows_its_time_constant(seconds: float) -> None:
    spectrum = LiveSpectrum(48_000, 1)
    spectrum.set_time_constant(seconds)
    spectrum.process(tone(1000.0, 0.0, 6.0 * seconds + 1.0, 48_000))
    spectrum.process(silence(0.2, 48_000))
    first = power_to_db(spectrum.third_octave[17])
    spectrum.process(silence(1.0, 48_000))
    fall = first - power_to_db(spectrum.third_octave[17])
    assert fall == pytest.approx(4.343 / seconds, rel=0.05)


def test_the_hold_falls_slowly_and_silence_becomes_silence() -> None:
    spectrum = LiveSpectrum(48_000, 1)
    spectrum.set_time_constant(0.125)
    spectrum.process(tone(100.0, 0.0, 2.0, 48_000) + tone(1000.0, 0.0, 2.0, 48_000))
    spectrum.process(silence(12.0, 48_000))
    assert spectrum.fine.max() == 0.0
    assert spectrum.third_octave.max() == 0.0
    wanted = -12.0 * HOLD_FALL_DB_PER_SECOND
    assert power_to_db(spectrum.fine_hold[80]) == pytest.approx(wanted, abs=0.7)
    assert power_to_db(spectrum.third_octave_hold[17]) == pytest.approx(wanted, abs=0.2)


def test_the_hold_falls_1_db_a_second_and_stands_over_the_slowest_average() -> None:
    """An average of 3 s falls 10 log10(e) / 3 = 1.45 dB a second; a hold that fell faster would tell nothing."""
    spectrum = LiveSpectrum(48_000, 1)
    spectrum.set_time_constant(3.0)
    spectrum.process(tone(1000.0, 0.0, 24.0, 48_000))
    spectrum.process(silence(0.2, 48_000))
    last = power_to_db(spectrum.third_octave_hold[17])
    for seconds in range(1, 11):
        spectrum.process(silence(1.0, 48_000))
        held = power_to_db(spectrum.third_octave_hold[17])
        assert last - held == pytest.approx(seconds, abs=0.05)
        over = held - power_to_db(spectrum.third_octave[17])
        assert over == pytest.approx((4.343 / 3.0 - 1.0) * seconds, abs=0.2)


def test_after_a_gap_the_window_fills_again_and_the_hold_stays() -> None:
    signal = tone(100.0, -6.0, 2.0, 48_000)
    spectrum = LiveSpectrum(48_000, 1)
    spectrum.process(signal)
    assert spectrum.skip(4_800 + 13) == 2
    assert np.isnan(spectrum.fine).all()
    assert power_to_db(spectrum.fine_hold[80]) == pytest.approx(-6.0, abs=0.3)
    spectrum.process(signal)
    assert power_to_db(spectrum.fine[80]) == pytest.approx(-6.0, abs=0.01)
    assert power_to_db(spectrum.third_octave[7]) == pytest.approx(-6.0, abs=0.05)


def test_a_long_gap_leaves_nothing_of_what_was() -> None:
    spectrum = LiveSpectrum(48_000, 1)
    spectrum.process(tone(1000.0, 0.0, 3.0, 48_000))
    spectrum.skip(48_000 * 3600)
    spectrum.process(tone(1000.0, -40.0, 1.0, 48_000))
    assert power_to_db(spectrum.third_octave[17]) == pytest.approx(-40.0, abs=0.05)


def test_what_is_not_a_number_passes_by() -> None:
    signal = tone(100.0, -6.0, 2.0, 48_000)
    bad = signal.copy()
    bad[1000] = np.nan
    spectrum = LiveSpectrum(48_000, 1)
    spectrum.process(bad[:24_000])
    assert np.isnan(spectrum.fine).all()
    spectrum.process(signal)
    assert power_to_db(spectrum.fine[80]) == pytest.approx(-6.0, abs=0.01)


def test_the_mean_since_a_mark_has_nothing_of_before() -> None:
    """White noise has one power per hertz: that of a third octave follows its width. Before it, 40 dB more."""
    quiet = white_noise(np.random.default_rng(3), -40.0, 20.0, 48_000, 1)
    spectrum = of(100.0 * quiet[: 3 * 48_000 + 777])
    assert np.isfinite(spectrum.third_octave_mark).all(), "without a mark, since the start"
    spectrum.mark()
    assert np.isnan(spectrum.third_octave_mark).all()
    spectrum.process(quiet[:2000])
    assert np.isnan(spectrum.third_octave_mark).all(), "what reaches back before the mark does not count"
    spectrum.process(quiet)
    widths_hz = np.array([band.high_hz - band.low_hz for band in THIRD_OCTAVES])
    power = float(2.0 * (quiet**2).mean()) * widths_hz / 24_000.0
    found = power_to_db(spectrum.third_octave_mark) - power_to_db(power)
    # A class 1 filter passes a little more than its nominal width; the lowest bands hold few independent values.
    assert np.abs(found[10:]).max() < 0.5
    assert np.abs(found).max() < 2.0
