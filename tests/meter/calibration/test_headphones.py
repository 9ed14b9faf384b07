"""Headphones by their data sheet: closed forms, and sheets that no headphones have."""

from __future__ import annotations

import math

import pytest

from meter.calibration.headphones import HEADPHONE_DOUBT_DB, PER_MILLIWATT, PER_VOLT, HeadphoneSheet, typed_number


@pytest.mark.parametrize(
    ("sheet", "expected"),
    [
        # One milliwatt into 32 ohm is 0.17889 V: the sheet's own figure comes back.
        (HeadphoneSheet(100.0, PER_MILLIWATT, 32.0, math.sqrt(0.032)), 100.0),
        # 1 V into 32 ohm is 31.25 mW, 14.95 dB over 1 mW; into 300 ohm 3.333 mW, 5.23 dB.
        (HeadphoneSheet(100.0, PER_MILLIWATT, 32.0, 1.0), 114.95),
        (HeadphoneSheet(100.0, PER_MILLIWATT, 300.0, 1.0), 105.23),
        (HeadphoneSheet(102.0, PER_VOLT, 300.0, 1.0), 102.0),
        (HeadphoneSheet(102.0, PER_VOLT, 300.0, 2.0), 108.02),
        # 32 ohm behind 32 ohm get half the voltage.
        (HeadphoneSheet(102.0, PER_VOLT, 32.0, 2.0, 32.0), 102.0),
    ],
)
def test_level_of_a_full_scale_sine(sheet, expected):
    sheet.check()
    assert sheet.full_scale_db_spl == pytest.approx(expected, abs=0.005)
    # Both sides alike add up to 3.01 dB more in the feed than an ear hears.
    assert sheet.offset_db + 3.0103 == pytest.approx(expected, abs=0.005)


def test_a_sensitivity_per_milliwatt_and_per_volt_agree():
    """dB/V = dB/mW + 10 lg(1000 / ohm): 100 dB at 1 mW and 32 ohm are 114.95 dB at 1 V."""
    milliwatt = HeadphoneSheet(100.0, PER_MILLIWATT, 32.0, 0.7)
    volt = HeadphoneSheet(100.0 + 10 * math.log10(1000 / 32), PER_VOLT, 32.0, 0.7)
    assert milliwatt.full_scale_db_spl == pytest.approx(volt.full_scale_db_spl)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"sensitivity_db": 20.0}, "sensitivity"), ({"sensitivity_db": math.nan}, "sensitivity"),
        ({"ohm": 0.0}, "impedance"), ({"ohm": 1e9}, "impedance"), ({"volts": 0.0}, "voltage"),
        ({"volts": 230.0}, "voltage"), ({"output_ohm": -1.0}, "resistance"), ({"output_ohm": math.inf}, "resistance"),
        ({"volts": 20.0, "sensitivity_db": 140.0}, "which no headphones do"),
    ],
)  # fmt: skip
def test_what_no_headphones_have_is_one_sentence(changed, words):
    plain = {"sensitivity_db": 100.0, "unit": PER_MILLIWATT, "ohm": 32.0, "volts": 1.0}
    with pytest.raises(ValueError, match=words):
        HeadphoneSheet(**(plain | changed)).check()


def test_the_doubt_is_wide_and_the_words_say_what_was_typed():
    assert HEADPHONE_DOUBT_DB >= 6.0
    assert HeadphoneSheet(100.0, PER_VOLT, 32.0, 1.5).words == "100 dB SPL at 1 V, 32 ohm, 1.5 V at full scale"
    assert "10 ohm before them" in HeadphoneSheet(100.0, PER_VOLT, 32.0, 1.5, 10.0).words


@pytest.mark.parametrize(("text", "value"), [("1,5", 1.5), (" 32 ", 32.0), ("", math.nan), ("loud", math.nan)])
def test_typed_numbers(text, value):
    assert typed_number(text) == pytest.approx(value, nan_ok=True)
