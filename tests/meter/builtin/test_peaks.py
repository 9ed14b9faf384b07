"""The peak meter through its manifest: every field, any blocks, hold by setting, gaps, silence."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.core.signals import fade, pink_noise, silence, tone
from dsp.core.types import FloatArray
from meter.builtin.peaks.process import Peaks
from tests.support.processors import Processor

CHANNEL_FIELDS = ("sample", "true", "true_hold", "true_max_each")


def after(signal: FloatArray, sizes: tuple[int, ...] = (480,), rate_hz: int = 48_000, **settings: float) -> dict:
    processor = Processor("peaks", rate_hz, signal.shape[1], **settings)
    processor.feed(signal, sizes)
    return processor.read()


def music(seconds: float = 4.4) -> FloatArray:
    noise = pink_noise(np.random.default_rng(10), -9.0, seconds, 48_000, 2)
    return noise * (0.1 + np.abs(np.sin(np.arange(len(noise)) / 30_000.0)))[:, None]


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
def test_every_field_of_a_sine_that_misses_its_crests(rate_hz: int) -> None:
    # EBU Tech 3341 case 19 in the left channel, case 16 in the right.
    left = tone(rate_hz / 4, 3.0, 1.0, rate_hz, 1, 45.0)
    right = tone(rate_hz / 4, -6.0, 1.0, rate_hz, 1, 45.0)
    readings = after(fade(np.hstack([left, right]), 0.01, rate_hz)[: -rate_hz // 50], (480,), rate_hz)
    np.testing.assert_allclose(readings["true_max_each"], [3.0, -6.0], atol=0.05)
    np.testing.assert_allclose(readings["true"], [3.0, -6.0], atol=0.05)
    np.testing.assert_allclose(readings["true_hold"], [3.0, -6.0], atol=0.05)
    np.testing.assert_allclose(readings["sample"], [-0.0103, -9.0103], atol=0.05)
    assert readings["true_max"] == pytest.approx(3.0, abs=0.05)
    assert readings["sample_max"] == pytest.approx(-0.0103, abs=0.01)
    assert readings["overs"] == 1.0
    # The chain works this one out; the processor leaves it alone.
    assert math.isnan(readings["to_loudness"])


def test_before_any_sound_nothing_is_known_and_silence_is_minus_infinity() -> None:
    processor = Processor("peaks")
    readings = processor.read()
    assert all(np.isnan(readings[key]).all() for key in (*CHANNEL_FIELDS, "true_max", "sample_max"))
    processor.feed(silence(1.0, 48_000, 2))
    readings = processor.read()
    assert all((readings[key] == -math.inf).all() for key in CHANNEL_FIELDS)
    assert readings["true_max"] == -math.inf
    assert readings["overs"] == 0.0


def test_the_hold_time_is_a_setting_and_can_change() -> None:
    signal = np.concatenate([fade(tone(1000.0, -3.0, 0.1, 48_000, 2), 0.01, 48_000), silence(1.0, 48_000, 2)])
    assert after(signal)["true_hold"][0] == pytest.approx(-3.0, abs=0.02)
    processor = Processor("peaks", hold_seconds=0.5)
    processor.feed(signal)
    assert processor.read()["true_hold"][0] == -math.inf
    processor.configure(hold_seconds=30.0)
    processor.feed(signal[:4800])
    processor.feed(silence(20.0, 48_000, 2), (48_000,))
    assert processor.read()["true_hold"][0] == pytest.approx(-3.0, abs=0.02)


def test_a_gap_makes_no_peak_and_the_maximum_stays() -> None:
    processor = Processor("peaks")
    signal = tone(997.0, -6.0, 0.5, 48_000, 2)
    processor.feed(signal)
    processor.skip(0.0137)
    processor.feed(signal[1234:])
    assert processor.read()["true_max"] == pytest.approx(-6.0, abs=0.02)


@pytest.mark.parametrize("channels", [1, 6, 8, 32])
def test_any_number_of_channels(channels: int) -> None:
    signal = fade(tone(1000.0, -12.0, 0.5, 48_000, channels), 0.01, 48_000)
    np.testing.assert_allclose(after(signal)["true_max_each"], np.full(channels, -12.0), atol=0.02)


def test_use_before_prepare_is_a_clear_error() -> None:
    with pytest.raises(RuntimeError, match="prepare"):
        Peaks().process(np.zeros((1, 2)))


def test_a_pair_of_samples_anywhere_in_a_long_block_reads_its_peak_between() -> None:
    """Two equal samples in silence rise to 4 / pi of themselves half-way (band-limited, closed form).

    Wherever in a cell of 10 ms they lie: the peak between them belongs to the cell in which its last tap comes.
    """
    for first in (*range(9_550, 9_655, 1), *range(9_700, 10_080, 60)):
        signal = silence(0.5, 48_000, 1)
        signal[first : first + 2] = 0.5
        readings = after(signal, (len(signal),))
        wanted = 20.0 * math.log10(0.5 * 4.0 / math.pi)
        assert readings["true_max"] == pytest.approx(wanted, abs=0.05), first
        assert readings["sample_max"] == pytest.approx(-6.0206, abs=1e-4)
