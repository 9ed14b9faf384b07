"""Mains hum: found with its level, taken away, and told from notes and drums of the same pitch."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.hum import without_hum
from tests.support.low_parts import held, place, repeated, resonator, tone

RATE_HZ = 4000


def test_hum_is_taken_away_with_its_multiples() -> None:
    frames = 10 * RATE_HZ
    hum = tone(50.0, -40.0, frames, RATE_HZ) + tone(150.0, -46.0, frames, RATE_HZ)
    cleaned, found = without_hum(hum + 1e-4 * np.random.default_rng(1).standard_normal(hum.shape), RATE_HZ)
    assert found.frequency_hz == 50.0
    assert found.level_dbfs == pytest.approx(10 * np.log10(2e-4 + 2 * 10**-4.6), abs=0.05)
    assert 10 * np.log10((cleaned**2).mean()) < -70.0


@pytest.mark.parametrize("off_hz", [-0.15, 0.15])
def test_mains_that_are_off_their_frequency(off_hz: float) -> None:
    hum = tone(60.0 + off_hz, -40.0, 20 * RATE_HZ, RATE_HZ)
    cleaned, found = without_hum(hum, RATE_HZ)
    assert found.frequency_hz == 60.0
    assert (cleaned**2).mean() < 0.01 * (hum**2).mean()


def test_hum_of_one_channel_leaves_the_other_alone() -> None:
    hum = tone(50.0, -40.0, 8 * RATE_HZ, RATE_HZ)
    other = tone(83.0, -40.0, 8 * RATE_HZ, RATE_HZ)
    cleaned, _ = without_hum(np.hstack([hum, other]), RATE_HZ)
    np.testing.assert_array_equal(cleaned[:, 1:], other)


def test_a_drum_of_that_pitch_on_the_beat_is_no_hum() -> None:
    """60 Hz at 120 beats per minute keeps its phase from hit to hit; but it dies away between them."""
    for quality in (15, 30, 60):
        drum = place(repeated(resonator(60.0, quality), 20, 0.5), 10.0, RATE_HZ)
        assert np.isnan(without_hum(drum, RATE_HZ)[1].frequency_hz)


@pytest.mark.parametrize("frequency_hz", [48.9994, 61.7354, 97.9989, 123.471])
def test_notes_beside_the_mains_are_notes(frequency_hz: float) -> None:
    """G1, B1, G2, B2 (equal temperament, ISO 16), held throughout."""
    note = held(frequency_hz, 12.0)(np.arange(12 * RATE_HZ) / RATE_HZ)[:, None]
    cleaned, found = without_hum(note, RATE_HZ)
    assert np.isnan(found.frequency_hz)
    assert cleaned is note


def test_noise_and_short_sound_have_no_hum() -> None:
    for seed in range(20):
        noise = 0.1 * np.random.default_rng(seed).standard_normal((5 * RATE_HZ, 2))
        assert np.isnan(without_hum(noise, RATE_HZ)[1].frequency_hz)
    assert np.isnan(without_hum(tone(50.0, -20.0, 3 * RATE_HZ, RATE_HZ), RATE_HZ)[1].frequency_hz)
