"""The arithmetic of a calibration, against the tables of the standard and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from meter.calibration import level_at_seat as seat_level
from meter.calibration.level_at_seat import (
    METER_DOUBTS_DB,
    BothReading,
    SeatResult,
    SideReading,
    a_minus_c_db,
    power_sum_db,
    typed_level,
    weighted_db,
)

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


@pytest.mark.parametrize("weighting", ["A", "C"])
def test_wide_pink_noise_by_the_octaves_of_the_table(weighting):
    """A second way: the mean of the table's octave values, equal power in each octave of pink noise."""
    column = 1 if weighting == "A" else 2
    octaves = np.mean([10 ** (row[column] / 10) for row in WEIGHTING_TABLE])  # 31.5 Hz to 16 kHz, ten octaves
    assert weighted_db("wide", weighting) == pytest.approx(10 * math.log10(octaves), abs=0.3)


@pytest.mark.parametrize(
    ("noise", "weighting", "expected"),
    [("wide", "A", -2.86), ("wide", "C", -1.11), ("band", "A", -0.16), ("band", "C", -0.02)],
)
def test_noise_under_a_weighting_by_integration(noise, weighting, expected):
    """By another quadrature: the trapezoid over 1/f from the poles as printed (20.6, 107.7, 737.9, 12194 Hz)."""
    low, high = seat_level.NOISE_BANDS_HZ[noise]
    hz = np.linspace(low, high, 400_001)
    squared = hz**2
    gain = 12194.0**2 * squared / ((squared + 20.6**2) * (squared + 12194.0**2))
    if weighting == "A":
        gain = gain * squared / np.sqrt((squared + 107.7**2) * (squared + 737.9**2))
    power = gain**2 * 10 ** ((2.000 if weighting == "A" else 0.062) / 10.0)
    found = 10 * math.log10(np.trapezoid(power / hz, hz) / np.trapezoid(1.0 / hz, hz))
    assert found == pytest.approx(expected, abs=0.01)
    assert weighted_db(noise, weighting) == pytest.approx(found, abs=0.01)


def test_a_against_c():
    assert a_minus_c_db("wide") == pytest.approx(-1.75, abs=0.02)
    assert -0.3 < a_minus_c_db("band") < 0.0


def test_the_noise_has_two_figures():
    """AES17 against an rms of 1.0: a full-scale sine has an rms of 1/sqrt(2), 3.01 dB below."""
    assert seat_level.NOISE_DBFS_RMS == -20.0
    assert abs(seat_level.NOISE_DB_RE_ONE + 23.01) < 0.001


@pytest.mark.parametrize(
    ("text", "level"), [("79", 79.0), (" 79,5 dB", 79.5), ("40", 40.0), ("120", 120.0), ("7.95e1", 79.5)]
)
def test_typed_levels(text, level):
    assert typed_level(text) == level


@pytest.mark.parametrize("text", ["", "loud", "39.9", "120.1", "nan", "inf", "-79", "79 80"])
def test_typed_nonsense_is_one_sentence(text):
    with pytest.raises(ValueError, match="from 40 to 120 dB"):
        typed_level(text)


def result(left=82.0, right=82.0, both=None, feed=-20.0):
    sides = SideReading(left, feed), SideReading(right, feed)
    return SeatResult(*sides, BothReading(both, (feed, feed)) if both is not None else None)


@pytest.mark.parametrize(("one", "together"), [(85.0, 88.01), (82.0, 85.01)])
def test_two_equal_unrelated_levels_make_three_decibels_more(one, together):
    """Closed form: 10 lg 2 = 3.01 dB; 90 and 80 dB make 90.414."""
    assert result(one, one, together).expected_both_db == pytest.approx(together, abs=0.005)
    assert result(one, one, together).check_db == pytest.approx(0.0, abs=0.005)
    assert power_sum_db((90.0, 80.0)) == pytest.approx(90.414, abs=0.001)


def test_the_offset_of_two_sides_is_the_mean_of_their_gains():
    assert result().offset_db == pytest.approx(102.0)
    assert SeatResult(SideReading(79.0, -20.0)).offset_db == pytest.approx(99.0)
    uneven = result(84.0, 80.0)
    gains = 10 ** (10.4), 10 ** (10.0)
    assert uneven.offset_db == pytest.approx(10 * math.log10(sum(gains) / 2))
    assert uneven.left_over_right_db == pytest.approx(4.0)
    # Both playing at -20 each give 84 and 80 together; the feed as a whole is 3.01 dB above one channel.
    assert uneven.offset_db - 20.0 + 3.0103 == pytest.approx(power_sum_db((84.0, 80.0)), abs=0.001)


def test_sides_measured_at_different_levels_are_compared_as_if_at_one():
    turned_up = SeatResult(SideReading(80.0, -20.0), SideReading(70.0, -30.0))
    assert turned_up.left_over_right_db == pytest.approx(0.0)


@pytest.mark.parametrize("meter", METER_DOUBTS_DB)
def test_a_failed_or_missing_check_widens_the_doubt(meter):
    sure = METER_DOUBTS_DB[meter]
    assert result(both=85.0).doubt_db(meter) == sure
    assert result(both=87.5).doubt_db(meter) == sure + 2.0
    assert result().doubt_db(meter) == sure + 2.0
    assert SeatResult(SideReading(79.0, -20.0)).doubt_db(meter) == sure
    assert sure >= 3.0
