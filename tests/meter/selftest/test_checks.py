"""A check passes inside its limits, on either side of its own size, and never on NaN."""

from __future__ import annotations

import math

import pytest

from meter.selftest.checks import OWN_CASE, Check, Source


def check(expected: float, minus: float, plus: float) -> Check:
    return Check(
        "a check", Source("no source, made for this test", OWN_CASE), expected, "dB", minus, plus, lambda: 0.0
    )


@pytest.mark.parametrize(
    ("reading", "passes"),
    [(-6.0, True), (-6.4, True), (-5.8, True), (-6.41, False), (-5.79, False), (math.nan, False), (-math.inf, False)],
)
def test_limits_may_differ_on_the_two_sides(reading: float, passes: bool) -> None:
    assert check(-6.0, 0.4, 0.2).passes(reading) is passes


def test_an_open_side_takes_anything() -> None:
    assert check(-70.4, math.inf, 3.0).passes(-math.inf)
    assert not check(-70.4, math.inf, 3.0).passes(-67.0)


def test_silence_is_met_exactly_or_not_at_all() -> None:
    assert check(-math.inf, 0.0, 0.0).passes(-math.inf)
    assert not check(-math.inf, 0.0, 0.0).passes(-200.0)
