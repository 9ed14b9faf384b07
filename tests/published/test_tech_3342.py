"""Loudness range against EBU Tech 3342 v4 (2023)."""

from __future__ import annotations

import pytest

from dsp.core.types import TICKS_PER_SECOND
from dsp.loudness.gating import RANGE_GATE_LU, RANGE_HIGH_PERCENTILE, RANGE_LOW_PERCENTILE
from meter.selftest.loudness import CHECKS, TECH_3342, measured, steps, tech_3342
from tests.support.published import by_source, hold_all


def test_cases_1_to_4_and_the_percentile_rule() -> None:
    hold_all(by_source(CHECKS, "EBU Tech 3342"))


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 192_000])
def test_cases_1_to_4_at_other_rates(rate_hz: int) -> None:
    hold_all(tech_3342(rate_hz)[:4])


def test_cases_1_to_4_live() -> None:
    hold_all(tech_3342(48_000, 48_000 // TICKS_PER_SECOND)[:4])


def test_the_table_is_read_well_inside_its_tolerance() -> None:
    for check in by_source(tech_3342(), TECH_3342):
        assert check.measure() == pytest.approx(check.expected, abs=0.05)


def test_constants_are_those_of_the_document() -> None:
    assert (RANGE_GATE_LU, RANGE_LOW_PERCENTILE, RANGE_HIGH_PERCENTILE) == (-20.0, 10, 95)


def test_repeating_a_programme_leaves_its_range() -> None:
    once = steps((-20.0, 20.0), (-30.0, 20.0))(8000)
    twice = steps(*[(-20.0, 20.0), (-30.0, 20.0)] * 2)(8000)
    assert measured(twice, 8000, 0).loudness_range == pytest.approx(measured(once, 8000, 0).loudness_range, abs=0.05)


def test_a_constant_tone_has_no_range() -> None:
    assert measured(steps((-23.0, 20.0))(8000), 8000, 0).loudness_range == pytest.approx(0.0, abs=0.05)
