"""Bought and paid between two marks, against gains in third octaves."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.spectrum.spectrum import THIRD_OCTAVES
from meter.stage.span_receipt import MID_HZ, THIRDS, same_bars, span_receipt
from meter.stage.words import receipt_sentence

PINK_DB = np.full(THIRDS, -30.0)
VERSE = {"integrated_mark": -16.0, "true_max_mark": -3.0, "to_loudness_mark": 13.0}


def span(levels_db: np.ndarray, **more: float) -> dict[str, float]:
    return VERSE | {f"third_octave_mark.{n}": float(level) for n, level in enumerate(levels_db)} | more


def test_the_bands_are_those_of_the_spectrum() -> None:
    np.testing.assert_allclose(MID_HZ, [band.mid_hz for band in THIRD_OCTAVES], rtol=1e-9)


def test_a_boost_is_named_with_what_it_cost() -> None:
    """Plus 6 dB in the octave round 4 kHz, plus 1 dB everywhere."""
    inside = (MID_HZ > 2900.0) & (MID_HZ < 5100.0)
    after = span(PINK_DB + 1.0 + 6.0 * inside, integrated_mark=-13.9, true_max_mark=-0.8, to_loudness_mark=13.1)
    found = span_receipt(span(PINK_DB), after)
    assert found.band_db == pytest.approx(6.0)
    assert (found.band_low_hz, found.band_high_hz) == pytest.approx((2818.4, 5623.4), rel=1e-3)
    assert receipt_sentence(found) == (
        "Bought: +2.1 LU, +6.0 dB at 4.0 kHz, peak to loudness +0.1 LU. Paid: 2.2 dB of headroom, low end 26 to 20 % "
        "of the power."
    )


def test_the_low_share_is_that_of_third_octaves_up_to_120_hertz() -> None:
    """Equal bands: 8 of 31; 10 times the power in them: 80 of 103."""
    lifted = PINK_DB + np.where(MID_HZ < 120.0, 10.0, 0.0)
    found = span_receipt(span(PINK_DB), span(lifted))
    assert found.low_share_before_percent == pytest.approx(100.0 * 8 / 31)
    assert found.low_share_after_percent == pytest.approx(100.0 * 80 / 103)
    assert "+10.0 dB below 112 Hz" in receipt_sentence(found)


@pytest.mark.parametrize("change", [0.0, 5.0, -5.0])
def test_a_fader_boosts_no_band(change: float) -> None:
    wobble = np.random.default_rng(2).uniform(-0.8, 0.8, THIRDS)
    assert math.isnan(span_receipt(span(PINK_DB), span(PINK_DB + change + wobble)).band_db)


def test_bars_are_the_same_where_most_of_the_spectrum_moves_together() -> None:
    bell = 9.0 * np.exp(-(np.log2(MID_HZ / 500.0) ** 2))
    shelf = np.where(MID_HZ > 800.0, 6.0, 0.0)
    for change in (np.zeros(THIRDS), np.full(THIRDS, -12.0), bell, shelf):
        assert same_bars(span(PINK_DB), span(PINK_DB + change))
    for seed in range(5):
        other = np.random.default_rng(seed).normal(0.0, 4.0, THIRDS)
        assert not same_bars(span(PINK_DB), span(PINK_DB + other))
    assert not same_bars(VERSE, span(PINK_DB))


def test_what_is_not_known_on_both_sides_is_not_told() -> None:
    bare = span_receipt({"integrated_mark": -16.0}, {"integrated_mark": -15.0, "true_max_mark": -1.0})
    assert receipt_sentence(bare) == "Bought: +1.0 LU."
    assert receipt_sentence(span_receipt({}, {})) == ""
    silent = span_receipt(span(np.full(THIRDS, -np.inf), integrated_mark=-math.inf), span(PINK_DB))
    assert math.isnan(silent.loudness_lu)
    assert math.isnan(silent.band_db)
    assert math.isnan(silent.low_share_before_percent)
