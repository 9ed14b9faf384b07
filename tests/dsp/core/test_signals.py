"""Test signals have the level, length and spectrum they claim."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.core.signals import burst, fade, pink_noise, silence, stepped_tone, sweep, tone, white_noise


def test_tone_has_its_peak_level_and_phase_in_every_channel() -> None:
    block = tone(1000.0, -6.0, 0.1, 48000, channels=3, phase_degrees=90.0)
    assert block.shape == (4800, 3)
    np.testing.assert_allclose(block[0], 10 ** (-6.0 / 20))
    np.testing.assert_array_equal(block[:, 0], block[:, 2])


def test_minus_infinity_is_silence() -> None:
    assert not tone(1000.0, -math.inf, 0.01, 48000).any()
    assert silence(0.01, 44100, 2).shape == (441, 2)


def test_stepped_tone_keeps_its_phase_across_the_step() -> None:
    block = stepped_tone(997.0, [(-20.0, 0.5), (-30.0, 0.25)], 48000)
    whole = tone(997.0, -20.0, 0.75, 48000)
    np.testing.assert_allclose(block[:24000], whole[:24000], atol=1e-15)
    np.testing.assert_allclose(block[24000:], whole[24000:] * 10 ** (-10.0 / 20), atol=1e-12)


def test_burst_lies_between_its_silences() -> None:
    block = burst(5000.0, 0.0, 0.01, 48000, lead_seconds=0.02, tail_seconds=0.03, channels=2)
    loud = np.flatnonzero(np.abs(block[:, 0]) > 0.5)
    assert len(block) == 2880
    assert 960 <= loud[0] < 970
    assert 1430 < loud[-1] < 1440


def test_sweep_passes_the_geometric_mean_half_way() -> None:
    block = sweep(100.0, 10_000.0, 0.0, 4.0, 48000)[:, 0]
    middle = block[96_000 - 2400 : 96_000 + 2400]
    crossings = np.count_nonzero(np.diff(np.signbit(middle)))
    assert crossings / 2 / 0.1 == pytest.approx(1000.0, rel=0.02)


def test_fade_reaches_zero_at_the_ends_and_leaves_the_middle_alone() -> None:
    faded = fade(np.ones((1000, 2)), 0.1, 1000)
    assert faded[0, 0] == 0.0
    assert faded[-1, 1] == 0.0
    np.testing.assert_array_equal(faded[100:900], 1.0)


def test_noise_is_seeded_independent_and_at_its_level() -> None:
    first = white_noise(np.random.default_rng(7), -20.0, 2.0, 48000, channels=2)
    again = white_noise(np.random.default_rng(7), -20.0, 2.0, 48000, channels=2)
    np.testing.assert_array_equal(first, again)
    assert 10 * np.log10(np.mean(first**2)) == pytest.approx(-20.0, abs=0.1)
    assert abs(np.corrcoef(first.T)[0, 1]) < 0.02


def test_pink_noise_has_equal_power_per_octave() -> None:
    noise = pink_noise(np.random.default_rng(8), -20.0, 20.0, 48000)[:, 0]
    assert 10 * np.log10(np.mean(noise**2)) == pytest.approx(-20.0, abs=1e-9)
    power = np.abs(np.fft.rfft(noise)) ** 2
    frequencies = np.fft.rfftfreq(len(noise), 1 / 48000)
    octaves = [power[(frequencies >= low) & (frequencies < 2 * low)].sum() for low in (125, 500, 2000, 8000)]
    levels = 10 * np.log10(octaves)
    assert np.ptp(levels) < 0.3
