"""EBU Tech 3341, BS.1770-5 and Tech 3342 through the meters as the window and ``measure`` run them, read by field."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.core.signals import tone
from meter.selftest import loudness, true_peak
from meter.selftest.loudness import GATED, RANGE_TOLERANCE_LU, RANGES, TOLERANCE_LU, steps
from tests.support.processors import Processor

RATE_HZ = 48_000
SURROUND = "6"


@pytest.mark.parametrize("case", [case for case in GATED if case != SURROUND])
def test_tech_3341_gated_cases_in_the_field_integrated(case: str) -> None:
    meter = Processor("loudness", RATE_HZ)
    meter.feed(GATED[case](RATE_HZ))
    assert float(meter.read()["integrated"]) == pytest.approx(-23.0, abs=TOLERANCE_LU)


@pytest.mark.parametrize("level", [-23.0, -33.0])
def test_tech_3341_cases_1_and_2_in_all_three_fields(level: float) -> None:
    meter = Processor("loudness", RATE_HZ)
    meter.feed(steps((level, 20.0))(RATE_HZ))
    readings = meter.read()
    for key in ("momentary", "short_term", "integrated"):
        assert float(readings[key]) == pytest.approx(level, abs=TOLERANCE_LU)


@pytest.mark.parametrize(
    ("key", "seconds", "step", "case"), [("short_term_max", 3.0, 0.15, 11), ("momentary_max", 0.4, 0.02, 14)]
)
def test_tech_3341_cases_11_and_14_in_the_highest_fields(key: str, seconds: float, step: float, case: int) -> None:
    meter = Processor("loudness", RATE_HZ)
    for number in range(20):
        level = -38.0 + number
        quiet = number * step
        signal = steps((-math.inf, quiet), (level, seconds), (-math.inf, seconds - quiet))(RATE_HZ)
        meter.feed(signal)
        assert float(meter.read()[key]) == pytest.approx(level, abs=TOLERANCE_LU), f"case {case}, step {number}"


@pytest.mark.parametrize("case", RANGES)
def test_tech_3342_in_the_field_range(case: str) -> None:
    expected, levels = RANGES[case]
    meter = Processor("loudness", RATE_HZ)
    meter.feed(steps(*[(level, 20.0) for level in levels])(RATE_HZ))
    assert float(meter.read()["range"]) == pytest.approx(expected, abs=RANGE_TOLERANCE_LU)


@pytest.mark.parametrize("case", true_peak.SINES)
def test_tech_3341_cases_15_to_19_in_the_field_true_max(case: str) -> None:
    meter = Processor("peaks", RATE_HZ)
    meter.feed(true_peak.sine(*true_peak.SINES[case]))
    expected = 3.0 if case == "19" else -6.0
    error = float(meter.read()["true_max"]) - expected
    assert -true_peak.MINUS_DB <= error <= true_peak.PLUS_DB


@pytest.mark.parametrize("offset", range(4))
def test_tech_3341_cases_20_to_23_in_the_field_true_max(offset: int) -> None:
    meter = Processor("peaks", RATE_HZ)
    meter.feed(true_peak.with_a_loud_period(offset))
    assert -true_peak.MINUS_DB <= float(meter.read()["true_max"]) <= true_peak.PLUS_DB


def test_antiphase_and_one_side_alone_in_the_field_integrated() -> None:
    # BS.1770-5 Annex 1: powers are added before any channel is; a full-scale 997 Hz sine in one channel is -3.01.
    for gains, expected in (((1.0, -1.0), -20.0), ((1.0, 0.0), -23.01), ((0.0, 1.0), -23.01)):
        meter = Processor("loudness", RATE_HZ)
        meter.feed(tone(997.0, -20.0, 3.0, RATE_HZ, 2) * np.array(gains))
        assert float(meter.read()["integrated"]) == pytest.approx(expected, abs=0.01)


def test_the_cases_are_those_of_the_table() -> None:
    assert set(GATED) == {"3", "4", "5", SURROUND}
    assert loudness.TECH_3341 == true_peak.TECH_3341
