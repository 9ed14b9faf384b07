"""Exposure arithmetic at its edges. Published tables: tests/published/test_exposure_rules.py."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.exposure.exposure import (
    Rule,
    daily_level_db,
    daily_level_of_exposure_db,
    equivalent_level_db,
    exposure_level_db,
    exposure_points,
    hours_left,
    hours_left_range,
    level_for_share_db,
    level_of_points_db,
    permissible_hours,
    pressure_level_db,
    round_hours_down,
    share_percent,
    sound_exposure_pa2h,
    twa_db,
    weekly_level_db,
)

ENERGY = Rule("energy", 80.0, 40.0, "week")
HALVED = Rule("3 dB", 85.0, 8.0, "day", 3.0, 80.0)
FIVE = Rule("5 dB", 90.0, 8.0, "day", 5.0, 80.0)
every_rule = pytest.mark.parametrize("rule", [ENERGY, HALVED, FIVE], ids=lambda rule: rule.name)


@every_rule
def test_the_criterion_itself_is_all_of_it(rule: Rule) -> None:
    assert permissible_hours(rule.criterion_db, rule) == rule.criterion_hours
    assert share_percent([rule.criterion_db], [rule.criterion_hours], rule) == 100.0
    assert twa_db(100.0, rule) == rule.criterion_db


@every_rule
@given(level=st.floats(85.0, 150.0))
def test_one_exchange_up_halves_the_time(rule: Rule, level: float) -> None:
    assert permissible_hours(level + rule.halving_db, rule) == pytest.approx(permissible_hours(level, rule) / 2.0)


@every_rule
@given(level=st.floats(85.0, 140.0), first=st.floats(0.0, 10.0), second=st.floats(0.0, 10.0))
def test_shares_add_up(rule: Rule, level: float, first: float, second: float) -> None:
    together = share_percent([level], [first + second], rule)
    assert share_percent([level, level], [first, second], rule) == pytest.approx(together, rel=1e-9, abs=1e-12)


@given(share=st.floats(0.0, 99.0), level=st.floats(81.0, 130.0))
def test_time_left_brings_the_share_to_100(share: float, level: float) -> None:
    rest = hours_left(share, level, FIVE)
    assert share + share_percent([level], [rest], FIVE) == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("share", "level", "expected"),
    [(100.0, 90.0, 0.0), (250.0, 90.0, 0.0), (0.0, 79.9, math.inf), (0.0, -math.inf, math.inf),
     (math.nan, 90.0, math.nan), (0.0, math.nan, math.nan), (50.0, 90.0, 4.0), (0.0, math.inf, 0.0)],
)  # fmt: skip
def test_time_left_at_the_edges(share: float, level: float, expected: float) -> None:
    assert hours_left(share, level, FIVE) == pytest.approx(expected, nan_ok=True)


def test_a_threshold_counts_what_lies_on_it_and_nothing_below() -> None:
    assert permissible_hours(80.0, HALVED) == pytest.approx(25.398, abs=1e-3)
    assert permissible_hours(np.nextafter(80.0, 0.0), HALVED) == math.inf
    assert share_percent([79.0], [1000.0], HALVED) == 0.0


def test_arrays_and_scalars_agree() -> None:
    levels = np.array([70.0, 85.0, 100.0, math.nan, -math.inf, 1e38])
    together = permissible_hours(levels, FIVE)
    assert together.shape == levels.shape
    for level, hours in zip(levels, together, strict=True):
        assert permissible_hours(float(level), FIVE) == pytest.approx(hours, nan_ok=True)


def test_nothing_is_no_share_and_no_average() -> None:
    assert share_percent([], [], ENERGY) == 0.0
    assert share_percent([1e38], [0.0], ENERGY) == 0.0
    assert share_percent([1e38], [1.0], ENERGY) == math.inf
    assert math.isnan(equivalent_level_db([], []))
    assert math.isnan(equivalent_level_db([90.0], [0.0]))
    assert equivalent_level_db([-math.inf], [1.0]) == -math.inf
    assert twa_db(0.0, ENERGY) == -math.inf
    assert level_of_points_db(0.0) == -math.inf
    assert daily_level_of_exposure_db(0.0) == exposure_level_db(0.0) == pressure_level_db(0.0) == -math.inf


def test_points_levels_and_pascals_say_the_same() -> None:
    day = daily_level_db([83.0, 97.0], [3.0, 0.4])
    points = exposure_points(83.0, 3.0) + exposure_points(97.0, 0.4)
    pascals = sound_exposure_pa2h(83.0, 3.0) + sound_exposure_pa2h(97.0, 0.4)
    assert level_of_points_db(points) == pytest.approx(day)
    assert daily_level_of_exposure_db(pascals) == pytest.approx(day)
    assert weekly_level_db([day] * 5) == pytest.approx(day)
    assert equivalent_level_db([83.0, 97.0, -math.inf], [3.0, 0.4, 4.6]) == pytest.approx(day)


def test_an_action_level_for_the_criterion_time_is_the_twa() -> None:
    assert level_for_share_db(50.0, 8.0, FIVE) == twa_db(50.0, FIVE)


@pytest.mark.parametrize(
    ("levels", "hours", "words"),
    [([80.0, 90.0], [1.0], "each level needs its own"), ([80.0], [-1.0], "below 0 h")],
)
def test_levels_without_times_and_negative_times_are_refused(levels: list, hours: list, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        share_percent(levels, hours, ENERGY)


@pytest.mark.parametrize(
    ("figures", "words"),
    [((math.nan, 8.0), "not a number"), ((80.0, 0.0), "above 0 h"), ((80.0, 8.0, "month"), "per day or week"),
     ((80.0, 8.0, "day", -3.0), "0 dB or more")],
)  # fmt: skip
def test_a_rule_that_means_nothing_is_refused_by_name(figures: tuple, words: str) -> None:
    with pytest.raises(ValueError, match=f"“mine”.*{words}"):
        Rule("mine", *figures)


@pytest.mark.parametrize(
    ("share", "level", "doubt", "low", "high"),
    [
        # NIOSH 98-126: 88 dB(A) for 4 h. 3 dB up: 50 % of 2 h is left, 1 h; 3 dB down: 87.5 % of 8 h, 7 h.
        (25.0, 88.0, 3.0, 1.0, 7.0),
        # 9 dB: a factor of 8 in time and in the share; 25 % becomes 200 % and 3.125 %: none, or 31 h.
        (25.0, 88.0, 9.0, 0.0, 30.0),
        (0.0, 85.0, 0.0, 7.0, 7.0),
        (math.inf, 110.0, 60.0, 0.0, 0.0),
    ],
)
def test_time_left_is_a_range_of_the_uncertainty(share, level, doubt, low, high) -> None:
    rule = Rule("NIOSH", 85.0, 8.0, "day", exchange_db=3.0)
    assert hours_left_range(share, level, doubt, rule) == pytest.approx((low, high))


@pytest.mark.parametrize(
    ("hours", "rounded"),
    [
        (9.33, 7.0),
        (1.0, 1.0),
        (0.99, 50 / 60),
        (41.0, 40.0),
        (168.0, 150.0),
        (168.1, math.inf),
        (0.01, 0.0),
        (0.0, 0.0),
    ],
)
def test_hours_are_rounded_down_to_what_an_estimate_supports(hours: float, rounded: float) -> None:
    assert round_hours_down(hours) == pytest.approx(rounded)


def test_what_is_not_known_stays_unknown() -> None:
    assert math.isnan(round_hours_down(math.nan))
    assert all(math.isnan(end) for end in hours_left_range(10.0, math.nan, 3.0, FIVE))
