"""The spectrum through its manifest: invariances, speeds, silence, gaps, odd feeds."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.signals import pink_noise, silence, tone, white_noise
from dsp.spectrum.filter_bank import BANDWIDTH_EXCESS
from dsp.spectrum.fractional_octaves import bands_between
from dsp.spectrum.spectrum import THIRD_OCTAVES
from tests.support.processors import BLOCK_SIZES, Processor, assert_same, random_sizes

RATES_HZ = (11_025, 44_100, 48_000, 96_000, 192_000)
LEVELS = ("third_octave", "third_octave_hold", "fine", "fine_hold")


def read(signal: np.ndarray, rate_hz: int = 48_000, sizes: tuple[int, ...] = (480,), **settings: str) -> dict:
    processor = Processor("spectrum", rate_hz, signal.shape[1], **settings)
    processor.feed(signal, sizes)
    return processor.read()


def noise(rate_hz: int = 48_000, seconds: float = 1.1) -> np.ndarray:
    return white_noise(np.random.default_rng(1), -20.0, seconds, rate_hz, channels=2)


@pytest.mark.parametrize("rate_hz", [11_025, 48_000])
@pytest.mark.parametrize("sizes", [*((size,) for size in BLOCK_SIZES), tuple(random_sizes(1))], ids=str)
def test_blocks_do_not_matter(rate_hz: int, sizes: tuple[int, ...]) -> None:
    signal = noise(rate_hz)
    assert_same(read(signal, rate_hz, sizes), read(signal, rate_hz, (len(signal),)), within=0.0)


def test_axes_are_the_standards_mid_bands_and_every_hertz() -> None:
    found = read(noise())
    np.testing.assert_allclose(found["third_octave_hz"], [item.mid_hz for item in bands_between(20.0, 20_000.0, 3)])
    np.testing.assert_array_equal(found["fine_hz"], np.arange(20.0, 241.0))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("speed", ["quick", "steady", "slow"])
def test_a_full_scale_sine_in_both_reads_0(rate_hz: int, speed: str) -> None:
    found = read(tone(100.0, 0.0, 1.5, rate_hz, channels=2), rate_hz, speed=speed)
    assert found["fine"][80] == pytest.approx(0.0, abs=0.05)
    assert found["fine"].max() == found["fine"][80]
    assert found["third_octave"][7] == pytest.approx(0.0, abs=0.1)
    found = read(tone(2000.0, 0.0, 1.5, rate_hz, channels=2), rate_hz, speed=speed)
    assert found["third_octave"][20] == pytest.approx(0.0, abs=0.1)
    assert found["third_octave_hold"][20] == pytest.approx(0.0, abs=0.1)


def test_pink_noise_is_level_across_the_thirds() -> None:
    signal = pink_noise(np.random.default_rng(2), -20.0, 30.0, 48_000, channels=2, band_hz=(17.8, 22_387.0))
    found = read(signal, speed="slow")
    levels = found["third_octave"][5:]
    assert np.ptp(levels) < 6.0
    assert np.ptp(levels[12:]) < 1.5
    total_db = 10.0 * np.log10(np.sum(10.0 ** (found["third_octave"] / 10.0)))
    assert total_db == pytest.approx(-20.0 + 3.01, abs=0.6)


def test_swapping_and_polarity_do_not_matter_and_gain_is_gain() -> None:
    plain = read(noise())
    assert_same(read(noise()[:, ::-1]), plain)
    assert_same(read(noise() * [1.0, -1.0]), plain)
    louder = read(noise() * 2.0)
    for key in LEVELS:
        np.testing.assert_allclose(louder[key], plain[key] + 6.0206, atol=1e-3)


@pytest.mark.parametrize(("channels", "shift_db"), [(1, 0.0), (6, -7.78)])
def test_any_number_of_channels(channels: int, shift_db: float) -> None:
    signal = np.zeros((48_000, channels))
    signal[:, :1] = tone(1000.0, 0.0, 1.0, 48_000)
    assert read(signal)["third_octave"][17] == pytest.approx(shift_db, abs=0.05)


def test_silence_is_minus_infinity() -> None:
    found = read(silence(1.0, 48_000, 2))
    for key in LEVELS:
        assert np.isneginf(found[key]).all()


def test_not_yet_then_lows_later_than_highs() -> None:
    processor = Processor("spectrum")
    assert all(np.isnan(processor.read()[key]).all() for key in LEVELS)
    processor.feed(noise(seconds=0.3))
    assert np.isfinite(processor.read()["third_octave"][11:]).all()
    assert np.isnan(processor.read()["fine"]).all()
    processor.feed(noise(seconds=0.5))
    assert all(np.isfinite(processor.read()[key]).all() for key in LEVELS)


def test_the_speed_may_change_while_it_runs() -> None:
    processor = Processor("spectrum", speed="slow")
    processor.feed(tone(1000.0, 0.0, 2.0, 48_000, channels=2))
    before = processor.read()["third_octave"][17]
    processor.configure(speed="quick")
    assert processor.read()["third_octave"][17] == before
    processor.feed(silence(1.0, 48_000, 2))
    assert processor.read()["third_octave"][17] < -25.0


def test_lost_frames_blank_until_the_window_is_whole_again() -> None:
    processor = Processor("spectrum")
    processor.feed(tone(100.0, -20.0, 2.0, 48_000, channels=2))
    before = processor.read()
    processor.skip(0.2)
    gap = processor.read()
    assert np.isnan(gap["fine"]).all()
    assert np.isnan(gap["third_octave"]).all()
    assert gap["fine_hold"][80] == pytest.approx(before["fine_hold"][80] - 0.2, abs=0.05)
    processor.feed(tone(100.0, -20.0, 1.0, 48_000, channels=2))
    assert processor.read()["fine"][80] == pytest.approx(before["fine"][80], abs=0.01)


def test_reset_forgets_and_keeps_the_speed() -> None:
    processor = Processor("spectrum", speed="quick")
    processor.feed(tone(100.0, 0.0, 2.0, 48_000, channels=2))
    processor.meter.reset()
    assert all(np.isnan(processor.read()[key]).all() for key in LEVELS)
    processor.feed(noise())
    assert_same(processor.read(), read(noise(), speed="quick"), within=0.0)


def test_huge_finite_input() -> None:
    found = read(noise() * 1e38)
    np.testing.assert_allclose(found["third_octave"], read(noise())["third_octave"] + 760.0, atol=1e-6)


@pytest.mark.parametrize("seconds", [4.0, 10.0])
def test_what_is_held_falls_by_1_db_a_second_and_so_stays_over_the_slowest_average(seconds: float) -> None:
    """An average of 3 s falls by 10 log10(e) / 3 = 1.45 dB a second (closed form)."""
    processor = Processor("spectrum", speed="slow")
    processor.feed(tone(1000.0, 0.0, 18.0, 48_000, channels=2))
    processor.feed(silence(0.2, 48_000, 2))
    before = processor.read()
    processor.feed(silence(seconds, 48_000, 2))
    after = processor.read()
    band = 17
    assert before["third_octave"][band] - after["third_octave"][band] == pytest.approx(1.4476 * seconds, abs=0.1)
    assert before["third_octave_hold"][band] - after["third_octave_hold"][band] == pytest.approx(seconds, abs=0.05)
    assert after["third_octave_hold"][band] > after["third_octave"][band]


@pytest.mark.parametrize("band", [0, 1, 2, 3])
@pytest.mark.parametrize("side", [-1, 1])
def test_a_low_band_turns_its_neighbours_tone_away_as_a_class_1_filter_does(band: int, side: int) -> None:
    """Six-pole Butterworth response at the mid-band of the next third (closed form): -19.5 dB.

    The taper alone would let 3 to 6 dB more through from below; class 1 of IEC 61260-1 asks for about 15 dB.
    """
    item, at_hz = THIRD_OCTAVES[band], THIRD_OCTAVES[band].mid_hz * 10.0 ** (0.1 * side)
    detuning = BANDWIDTH_EXCESS * (at_hz / item.mid_hz - item.mid_hz / at_hz) * item.mid_hz
    wanted = -10.0 * np.log10(1.0 + (detuning / (item.high_hz - item.low_hz)) ** 6)
    found = read(tone(at_hz, 0.0, 6.0, 48_000, channels=2))["third_octave"][band]
    assert found == pytest.approx(wanted, abs=3.5)


@pytest.mark.parametrize(("speed", "db_per_second"), [("quick", 34.74), ("steady", 4.343), ("slow", 1.448)])
def test_each_speed_falls_as_its_time_constant_says(speed: str, db_per_second: float) -> None:
    """10 log10(e) over 0.125 s and 1 s: F and S of IEC 61672-1:2013, 5.8, fall by 34.7 and 4.3 dB a second."""
    seconds = min(2.0, 40.0 / db_per_second)
    processor = Processor("spectrum", speed=speed)
    processor.feed(tone(1000.0, 0.0, 18.0, 48_000, channels=2), [48_000])
    processor.feed(silence(0.2, 48_000, 2))
    before = processor.read()["third_octave"][17]
    processor.feed(silence(seconds, 48_000, 2))
    fall = before - processor.read()["third_octave"][17]
    assert fall == pytest.approx(db_per_second * seconds, rel=0.05)


@pytest.mark.parametrize(
    ("of", "in_step", "turned"), [("mid", 0.0, -np.inf), ("side", -np.inf, 0.0), ("all", 0.0, 0.0)]
)
def test_mid_and_side_of_a_pair(of: str, in_step: float, turned: float) -> None:
    """M = (L + R) / 2 and S = (L - R) / 2 of a full-scale sine, in step or with one side inverted (closed forms)."""
    signal = tone(100.0, 0.0, 1.5, 48_000, channels=2)
    for pair, expected in ((signal, in_step), (signal * [1.0, -1.0], turned)):
        assert read(pair, of=of)["fine"][80] == pytest.approx(expected, abs=0.05)


def test_one_side_reads_6_db_less_in_mid_and_in_side() -> None:
    """20 lg 2 = 6.02 dB."""
    signal = tone(100.0, 0.0, 1.5, 48_000, channels=2) * [1.0, 0.0]
    assert read(signal, of="mid")["fine"][80] == pytest.approx(-6.02, abs=0.05)
    assert read(signal, of="side")["fine"][80] == pytest.approx(-6.02, abs=0.05)


def test_another_choice_of_mid_and_side_starts_the_spectrum_again() -> None:
    processor = Processor("spectrum", 48_000, 2)
    processor.feed(noise())
    processor.meter.configure({"of": "side", "speed": "steady"})
    assert np.isnan(processor.read()["fine"]).all()
    processor.feed(noise())
    assert_same(processor.read(), read(noise(), of="side"), within=0.0)


def test_one_channel_has_no_side() -> None:
    assert_same(read(noise()[:, :1], of="side"), read(noise()[:, :1]), within=0.0)
