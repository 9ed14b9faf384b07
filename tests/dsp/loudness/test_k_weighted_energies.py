"""K-weighted energy of ticks: the way by the spectrum against the two sections of the standard, run by scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import sosfilt

from dsp.core.signals import white_noise
from dsp.core.types import TICKS_PER_SECOND, FloatArray
from dsp.loudness.k_weighted_energies import FEWEST_TICKS, KWeightedEnergies
from dsp.loudness.k_weighting import k_weighting_sos

# 44,100 Hz has ticks of an odd number of frames.
RATES_HZ = (8000, 44_100, 48_000, 96_000, 192_000)


def filtered(sound: FloatArray, rate_hz: int) -> FloatArray:
    """Energy of each whole tick, all channels together, ``(ticks, 1)``."""
    weighted = sosfilt(k_weighting_sos(rate_hz), sound, axis=0)
    width = rate_hz // TICKS_PER_SECOND
    ticks = len(weighted) // width
    return np.asarray((weighted[: ticks * width] ** 2).reshape(ticks, -1).sum(axis=1, keepdims=True))


def measured(sound: FloatArray, rate_hz: int, sizes: tuple[int, ...]) -> FloatArray:
    energies, parts, start, turn = KWeightedEnergies(rate_hz, sound.shape[1]), [], 0, 0
    while start < len(sound):
        size = sizes[turn % len(sizes)]
        parts.append(energies.push(sound[start : start + size]))
        start, turn = start + size, turn + 1
    assert energies.ticks == sum(map(len, parts))
    return np.concatenate(parts)


def noise(rate_hz: int, channels: int, seconds: float = 4.0) -> FloatArray:
    return white_noise(np.random.default_rng(11), -20.0, seconds, rate_hz, channels)


@pytest.mark.parametrize("channels", [1, 2, 3, 6])
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_many_ticks_at_once_hold_the_energy_of_the_filtered_sound(rate_hz: int, channels: int) -> None:
    sound = noise(rate_hz, channels)
    np.testing.assert_allclose(measured(sound, rate_hz, (len(sound),)), filtered(sound, rate_hz), rtol=1e-9)


@pytest.mark.parametrize("sizes", [(77, 60_000), (48_000, 1), (50_001, 30_000, 49_999)])
def test_the_two_ways_hand_over_in_the_middle_of_ticks(sizes: tuple[int, ...]) -> None:
    sound = noise(48_000, 2)
    np.testing.assert_allclose(measured(sound, 48_000, sizes), filtered(sound, 48_000), rtol=1e-9)


def test_a_rate_without_whole_ticks_goes_by_the_filter() -> None:
    sound = noise(11_025, 1)
    whole = measured(sound, 11_025, (len(sound),))
    np.testing.assert_allclose(whole, measured(sound, 11_025, (100,)), rtol=1e-9)
    assert len(whole) >= FEWEST_TICKS


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_a_little_sound_beside_a_large_constant_is_measured_right(rate_hz: int) -> None:
    """The repeated tick and the ringing are both 80 dB above what is left of them here."""
    settled = 50
    sound = 1.0 + 1e-4 * noise(rate_hz, 2)
    np.testing.assert_allclose(
        measured(sound, rate_hz, (len(sound),))[settled:], filtered(sound, rate_hz)[settled:], rtol=1e-6
    )


def test_a_slow_swing_is_taken_down_as_far_as_the_filter_does() -> None:
    time_s = np.arange(4 * 48_000) / 48_000
    sound = np.sin(2.0 * np.pi * 2.0 * time_s)[:, None]
    expected = filtered(sound, 48_000)
    np.testing.assert_allclose(measured(sound, 48_000, (len(sound),))[50:], expected[50:], rtol=1e-5)


def test_no_energy_is_below_nought_and_silence_is_silent() -> None:
    sound = noise(48_000, 2)
    sound[48_000:] = 0.0
    energies = measured(sound, 48_000, (2 * 48_000,))
    assert (energies >= 0.0).all()
    assert not energies[2 * FEWEST_TICKS :].any()


def test_what_was_primed_and_what_was_lost_count_as_they_do_by_the_filter() -> None:
    sound = noise(48_000, 2)
    energies = KWeightedEnergies(48_000, 2)
    energies.prime(sound[:4800])
    lost = energies.skip(4800 + 240)
    energies.prime(sound[4800:5040])
    heard = energies.push(sound[5040:])
    assert np.isnan(lost).all()
    assert np.isnan(heard[0]).all()
    np.testing.assert_allclose(heard[1:], filtered(sound, 48_000)[11:], rtol=1e-9)


def test_restart_forgets_the_sound_and_reset_the_grid_as_well() -> None:
    sound = noise(48_000, 1)
    energies = KWeightedEnergies(48_000, 1)
    energies.push(sound[:48_100])
    energies.restart_filter()
    after = energies.push(sound[:380])
    assert len(after) == 1
    assert energies.ticks == 101
    energies.reset()
    assert energies.ticks == 0
    np.testing.assert_allclose(energies.push(sound), filtered(sound, 48_000), rtol=1e-9)
