"""Bought and paid, against filters and gains in closed form.

The bell and the shelf are those of the "Cookbook formulae for audio equalizer biquad filter coefficients" (W3C note,
from memory); half of a bell's gain in decibels is left where its bandwidth is told.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import butter, freqz, lfilter, sosfilt

from dsp.core.signals import pink_noise, stepped_tone
from dsp.core.types import FloatArray
from meter.stage.findings import ReceiptFindings
from meter.stage.next_stage import with_next
from meter.stage.words import bought, paid, receipt_sentence
from tests.support.stages import RATE_HZ, static_gain_db, studied, with_gain

NOISE = pink_noise(np.random.default_rng(4), -26.0, 8.0, RATE_HZ, 1)


def bell(hz: float, gain_db: float, q: float) -> tuple[FloatArray, FloatArray]:
    amplitude, angle = 10.0 ** (gain_db / 40.0), 2.0 * np.pi * hz / RATE_HZ
    alpha, cosine = np.sin(angle) / (2.0 * q), np.cos(angle)
    b = np.array([1.0 + alpha * amplitude, -2.0 * cosine, 1.0 - alpha * amplitude])
    a = np.array([1.0 + alpha / amplitude, -2.0 * cosine, 1.0 - alpha / amplitude])
    return b / a[0], a / a[0]


@pytest.mark.parametrize(("hz", "gain_db", "q"), [(80.0, 6.0, 1.0), (1000.0, 9.0, 0.7), (6000.0, 15.0, 0.9)])
def test_a_boosted_band_is_named_with_its_boost(hz: float, gain_db: float, q: float) -> None:
    b, a = bell(hz, gain_db, q)
    found = studied(NOISE, 0.5 * lfilter(b, a, NOISE, axis=0)).receipt
    grid = np.geomspace(20.0, 20_000.0, 5000)
    above = grid[20.0 * np.log10(np.abs(freqz(b, a, grid, fs=RATE_HZ)[1])) >= gain_db / 2.0]
    assert found.band_db == pytest.approx(gain_db, abs=0.3)
    assert found.band_low_hz == pytest.approx(above[0], rel=0.07)
    assert found.band_high_hz == pytest.approx(above[-1], rel=0.07)


@pytest.mark.parametrize("kind", ["gain", "cut", "high-pass"])
def test_where_nothing_is_boosted_no_band_is_named(kind: str) -> None:
    if kind == "high-pass":
        after = sosfilt(butter(2, 80.0, "highpass", fs=RATE_HZ, output="sos"), NOISE, axis=0)
    else:
        after = 3.0 * NOISE if kind == "gain" else lfilter(*bell(700.0, -12.0, 0.7), NOISE, axis=0)
    assert math.isnan(studied(NOISE, after).receipt.band_db)


@pytest.mark.parametrize(("kind", "edge"), [("lowpass", "below"), ("highpass", "above")])
def test_a_shelf_has_one_edge(kind: str, edge: str) -> None:
    """Plus a first-order filter: the gain at its open end is 1 + 1 = 6.02 dB."""
    found = studied(NOISE, NOISE + sosfilt(butter(1, 300.0, kind, fs=RATE_HZ, output="sos"), NOISE, axis=0)).receipt
    assert found.band_db == pytest.approx(6.0, abs=0.4)
    told = next(entry for entry in bought(found) if "dB at" in entry or "dB below" in entry or "dB above" in entry)
    assert f"dB {edge} " in told


def test_plain_gain_costs_its_headroom_and_nothing_more() -> None:
    found = studied(NOISE, 2.0 * NOISE).receipt
    assert found.loudness_lu == pytest.approx(6.02, abs=0.01)
    assert found.headroom_db == pytest.approx(-6.02, abs=0.01)
    assert found.peak_to_loudness_lu == pytest.approx(0.0, abs=0.01)
    assert found.level_after_db - found.level_before_db == pytest.approx(6.02, abs=0.01)
    assert found.low_share_before_percent == pytest.approx(found.low_share_after_percent, abs=0.01)
    assert receipt_sentence(found) == "Bought: +6.0 LU. Paid: 6.0 dB of headroom."


def test_the_low_end_is_a_share_of_the_power() -> None:
    """Pink noise from 20 Hz to 20 kHz: log(120 / 20) of log(1000)."""
    found = studied(NOISE, NOISE + sosfilt(butter(4, 120.0, fs=RATE_HZ, output="sos"), NOISE, axis=0)).receipt
    assert found.low_share_before_percent == pytest.approx(100.0 * math.log(6.0) / math.log(1000.0), abs=3.0)
    assert found.low_share_after_percent > found.low_share_before_percent + 20.0
    assert any(entry.startswith("low end ") for entry in paid(found))


def test_the_next_stage_works_harder_by_what_its_curve_says() -> None:
    """6.02 dB into threshold -20 dB, 2:1, at a usual level of -18: (-12 + 20) / 2 against (-18 + 20) / 2."""
    levels = (-40.0, -24.0, -18.0, -18.0, -12.0)
    tone = stepped_tone(1000.0, [(level, 0.5) for level in levels] * 2, RATE_HZ, 1)
    at = np.repeat(np.tile(levels, 2), RATE_HZ // 2) + 20.0 * np.log10(2.0)
    own, following = (
        studied(tone, 2.0 * tone),
        studied(2.0 * tone, with_gain(2.0 * tone, static_gain_db(at, -20.0, 2.0))),
    )
    assert math.isnan(own.receipt.next_squeeze_db)
    found = with_next(own, following).receipt
    assert found.next_squeeze_db == pytest.approx(3.0, abs=0.2)
    assert "next stage about 3.0 dB harder" in paid(found)


def test_each_entry_stands_on_the_side_it_went_to() -> None:
    bold = ReceiptFindings(0.4, 15.0, 4200.0, 8500.0, 3.1, 3.1, -2.1, -1.2, 31.0, 44.4, -20.0, -18.0, 1.04)
    assert receipt_sentence(bold) == (
        "Bought: +0.4 LU, +15.0 dB at 6.0 kHz, attack level +3.1 dB. Paid: 2.1 dB of headroom, peak to loudness −1.2 "
        "LU, next stage about 1.0 dB harder, low end 31 to 44 % of the power."
    )
    gentle = ReceiptFindings(-2.0, headroom_db=3.0, peak_to_loudness_lu=1.0, attack_db=-0.8, next_squeeze_db=-0.5)
    assert bought(gentle) == ["3.0 dB of headroom", "peak to loudness +1.0 LU", "next stage about 0.5 dB lighter"]
    assert paid(gentle) == ["−2.0 LU", "attack level −0.8 dB"]
    assert receipt_sentence(ReceiptFindings()) == ""
