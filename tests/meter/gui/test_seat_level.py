"""The arithmetic of a calibration, against the tables of the standard."""

from __future__ import annotations

import math

import numpy as np
import pytest

from meter.gui import seat_level
from meter.gui.seat_level import Steadiness, a_minus_c_db, offset_db, typed_level

# IEC 61672-1:2013, table 3 (same values in IEC 61672-1:2003, table 2): nominal frequency, A, C in dB, rounded to 0.1
WEIGHTING_TABLE = [
    (31.5, -39.4, -3.0), (63.0, -26.2, -0.8), (125.0, -16.1, -0.2), (250.0, -8.6, 0.0), (500.0, -3.2, 0.0),
    (1000.0, 0.0, 0.0), (2000.0, 1.2, -0.2), (4000.0, 1.0, -0.8), (8000.0, -1.1, -3.0), (16000.0, -6.6, -8.5),
]  # fmt: skip


@pytest.mark.parametrize(("nominal_hz", "a_db", "c_db"), WEIGHTING_TABLE)
def test_weightings_are_those_of_the_standard(nominal_hz, a_db, c_db):
    exact_hz = np.array([1000.0 * 10 ** (round(10 * math.log10(nominal_hz / 1000.0)) / 10)])
    # The table gives the weighting at the exact mid-band frequency, to 0.1 dB.
    assert 10 * math.log10(seat_level._a_power(exact_hz)[0]) == pytest.approx(a_db, abs=0.1)
    assert 10 * math.log10(seat_level._c_power(exact_hz)[0]) == pytest.approx(c_db, abs=0.1)


def test_pink_noise_in_a_against_c():
    """A second way: the mean of the table's octave values, equal power in each octave of pink noise."""
    octaves = WEIGHTING_TABLE  # 31.5 Hz to 16 kHz, ten octaves
    a, c = (np.mean([10 ** (row[column] / 10) for row in octaves]) for column in (1, 2))
    assert a_minus_c_db("wide") == pytest.approx(10 * math.log10(a / c), abs=0.3)
    assert a_minus_c_db("wide") == pytest.approx(-1.7, abs=0.1)  # common figure for 20 Hz to 20 kHz
    assert -0.3 < a_minus_c_db("band") < 0.0


def test_offset_takes_the_meter_to_the_feed():
    assert offset_db(79.0, "A", "band", -20.0) == 99.0
    assert offset_db(79.0, "C", "wide", -20.0) == pytest.approx(99.0 + a_minus_c_db("wide"))


@pytest.mark.parametrize(
    ("text", "level"), [("79", 79.0), (" 79,5 dB", 79.5), ("40", 40.0), ("120", 120.0), ("7.95e1", 79.5)]
)
def test_typed_levels(text, level):
    assert typed_level(text) == level


@pytest.mark.parametrize("text", ["", "loud", "39.9", "120.1", "nan", "inf", "-79", "79 80"])
def test_typed_nonsense_is_one_sentence(text):
    with pytest.raises(ValueError, match="from 40 to 120 dB"):
        typed_level(text)


def fed(levels, step=0.05):
    steady = Steadiness()
    for number, level in enumerate(levels):
        steady.add(number * step, level)
    return steady


def test_steady_noise_gives_its_mean_power():
    rng = np.random.default_rng(1)
    levels = -20.0 + rng.normal(0.0, 0.1, 200)
    mean = 10 * np.log10(np.mean(10 ** (levels[-101:] / 10)))
    assert fed(levels).level() == pytest.approx(mean, abs=0.01)


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        ([], "No noise"),
        ([math.nan] * 200, "No noise"),
        ([-math.inf] * 200, "No noise"),
        ([-75.0] * 200, "almost silent"),
        ([-20.0] * 40, "five seconds"),
        ([-20.0] * 150 + [-18.9] * 50, "not steady"),
        ([-20.0] * 200 + [math.nan] + [-20.0] * 20, "five seconds"),
    ],
)
def test_what_is_not_steady_noise_is_refused(levels, words):
    with pytest.raises(ValueError, match=words):
        fed(levels).level()


def test_a_clock_that_starts_over_starts_over():
    steady = fed([-20.0] * 200)
    steady.add(0.0, -30.0)
    with pytest.raises(ValueError, match="five seconds"):
        steady.level()


def test_real_pink_noise_counts_as_steady_and_a_beat_does_not():
    """Band noise averaged over 1 s moves little: standard deviation 4.34 / sqrt(B T) dB, 0.11 dB for 1500 Hz."""
    rng = np.random.default_rng(5)
    rate = 8000
    spectrum = np.fft.rfft(rng.normal(size=rate * 12))
    hz = np.fft.rfftfreq(rate * 12, 1 / rate)
    shaped = np.fft.irfft(np.where((hz >= 500) & (hz <= 2000), spectrum / np.sqrt(np.maximum(hz, 1)), 0))
    power = np.convolve(shaped**2, np.ones(rate) / rate, mode="valid")[:: rate // 20]
    levels = 10 * np.log10(power / power.mean()) - 20.0
    assert fed(levels).level() == pytest.approx(-20.0, abs=0.2)
    beat = -20.0 + 2.0 * np.sin(np.arange(200) / 8.0)
    with pytest.raises(ValueError, match="not steady"):
        fed(beat).level()
