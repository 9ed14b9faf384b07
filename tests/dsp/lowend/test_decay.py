"""Decay of hits against T60 = 2.19881 Q / f0 (closed form of a resonator), overhang and half a beat."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.decay import decay, filter_floor_ms, half_beat_ms
from tests.support.low_parts import place, repeated, resonator

RATE_HZ = 4000


def true_ms(frequency_hz: float, quality: float) -> float:
    return 1000.0 * 2.19881 * quality / frequency_hz / 3.0


@pytest.mark.parametrize(
    ("frequency", "quality"), [(100, 10), (100, 30), (50, 30), (50, 10), (60, 6), (60, 15), (200, 20), (45, 40)]
)
@pytest.mark.parametrize("noise", [0.0, 0.002])
def test_ring_of_resonators(frequency: float, quality: float, noise: float) -> None:
    truth = true_ms(frequency, quality)
    gap = max(0.5, 2e-3 * truth)
    signal = place(repeated(resonator(frequency, quality), 12, gap), 12 * gap + 2, RATE_HZ)
    signal += noise * np.random.default_rng(1).standard_normal(signal.shape)
    found = decay(signal, RATE_HZ, frequency)
    assert found.hits == 12
    assert found.to_minus_20_ms == pytest.approx(truth, rel=0.05)
    assert found.spread_ms < 0.05 * truth
    assert found.filter_floor_ms < truth
    assert not found.reason


def test_spread_tells_uneven_hits_from_even_ones() -> None:
    notes = [(0.1 + n, resonator(60, 10 if n % 2 else 20)) for n in range(12)]
    found = decay(place(notes, 13, RATE_HZ), RATE_HZ, 60.0)
    assert found.spread_ms == pytest.approx(true_ms(60, 20) - true_ms(60, 10), rel=0.05)


@pytest.mark.parametrize(("qualities", "given"), [((8, 15), True), ((8, 40), False)])
def test_hits_that_differ_as_much_as_they_ring_have_no_common_decay(qualities: tuple[int, int], given: bool) -> None:
    """Two thirds short hits and a third long ones: the median is a short one's, the spread the difference."""
    notes = [(0.1 + 1.5 * n, resonator(60, qualities[n % 3 == 2])) for n in range(18)]
    found = decay(place(notes, 28.0, RATE_HZ), RATE_HZ, 60.0)
    short, long = (true_ms(60, quality) for quality in qualities)
    assert found.spread_ms == pytest.approx(long - short, rel=0.08)
    assert (long - short < short) == given
    assert np.isfinite(found.to_minus_20_ms) == given
    assert found.hits == 18
    assert ("differ too much" in found.reason) == (not given)


def test_a_held_drum_counts_its_hold() -> None:
    """60 Hz held for 200 ms, then falling with Q 10: 20 dB are gone 0.2 s + T60 / 3 after the beginning.

    The peak of the filtered envelope lies a cycle or two into the hold, so the reading is up to 60 ms shorter.
    """

    def sound(t: np.ndarray) -> np.ndarray:
        return 0.5 * np.sin(2 * np.pi * 60 * t) * np.exp(-np.pi * 60 / 10 * np.maximum(t - 0.2, 0.0))

    found = decay(place(repeated(sound, 10, 1.0), 11, RATE_HZ), RATE_HZ, 60.0)
    assert 0.0 <= 200 + true_ms(60, 10) - found.to_minus_20_ms <= 60.0


def test_overhang_is_what_is_left_at_the_next_low_note() -> None:
    """A fall of 20 dB in 183 ms; a bass note 150 ms after each hit finds it 16.4 dB down."""
    signal = place(repeated(resonator(60, 15), 12, 1.0), 13, RATE_HZ)
    notes = np.array([0.1 + n + at for n in range(12) for at in (0.02, 0.15)])
    found = decay(signal, RATE_HZ, 60.0, notes)
    assert found.overhang_db == pytest.approx(-20 * 150 / true_ms(60, 15), abs=1.0)
    assert found.gap_ms == pytest.approx(150, abs=10)


def test_too_few_hits_say_so() -> None:
    found = decay(place(repeated(resonator(60, 15), 5, 0.5), 4, RATE_HZ), RATE_HZ, 60.0)
    assert np.isnan(found.to_minus_20_ms)
    assert found.reason == "5 of 8 clear hits so far"
    assert found.hits == 5


@pytest.mark.parametrize("signal", [np.zeros((8000, 2)), np.zeros((0, 1)), np.full((8000, 1), 0.3)])
def test_no_hits(signal: np.ndarray) -> None:
    found = decay(signal, RATE_HZ, 60.0)
    assert (found.hits, found.reason) == (0, "no hits in this octave")
    assert np.isnan(found.overhang_db)


def test_a_steady_tone_has_no_fall() -> None:
    t = np.arange(8 * RATE_HZ) / RATE_HZ
    assert np.isnan(decay(np.sin(2 * np.pi * 60 * t)[:, None], RATE_HZ, 60.0).to_minus_20_ms)


def test_the_filter_floor_shrinks_with_frequency() -> None:
    assert filter_floor_ms(RATE_HZ, 50.0) == pytest.approx(2 * filter_floor_ms(RATE_HZ, 100.0), rel=0.1)


def test_half_a_beat() -> None:
    """30,000 / tempo (closed form)."""
    assert half_beat_ms(120.0) == 250.0
    assert half_beat_ms(140.0) == pytest.approx(214.29, abs=0.01)
    with pytest.raises(ValueError, match="no half beat"):
        half_beat_ms(0.0)


def test_an_octave_that_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="does not fit"):
        decay(np.zeros((100, 1)), RATE_HZ, 1900.0)
