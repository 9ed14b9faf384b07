"""Breaks found, offered and forgotten; what is said once a day; and how far the level crept."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pytest

from meter.logbook.breaks import (
    BREAK_SECONDS,
    FORGIVEN_SECONDS,
    HALF_USED,
    MOST_USED,
    NOTHING,
    OFFER,
    QUIET_DBA,
    SHOWN_SECONDS,
    Breaks,
    notice,
    passed,
)
from meter.logbook.creep import Creep
from tests.support.ledgers import HOUR

LOUD = 75.0
SILENT = -math.inf


def heard(*stretches: tuple[float | None, int]) -> tuple[Breaks, int]:
    """Levels, each for its seconds; None is nothing heard at all. Also the second that follows."""
    breaks, now = Breaks(), 1000
    for level, seconds in stretches:
        if level is not None:
            for second in range(now, now + seconds):
                breaks.add_second(second, level)
        now += seconds
    return breaks, now


def minutes_since(*stretches: tuple[float | None, int]) -> float:
    breaks, now = heard(*stretches)
    return breaks.seconds_since(now) / 60


def test_before_anything_was_heard_nothing_is_known() -> None:
    assert math.isnan(Breaks().seconds_since(0.0))
    assert math.isnan(minutes_since((SILENT, 60)))


@pytest.mark.parametrize("rest", [SILENT, QUIET_DBA - 0.1, None], ids=["silence", "quiet", "nothing heard"])
def test_ten_minutes_of_rest_are_a_break(rest: float | None) -> None:
    assert minutes_since((LOUD, 1800)) == 30.0
    assert minutes_since((LOUD, 1800), (rest, BREAK_SECONDS - 1)) == pytest.approx(40.0, abs=0.02)
    assert minutes_since((LOUD, 1800), (rest, BREAK_SECONDS)) == 0.0
    assert minutes_since((LOUD, 1800), (rest, 2 * BREAK_SECONDS)) == 0.0
    assert minutes_since((LOUD, 1800), (rest, BREAK_SECONDS), (LOUD, 300)) == 5.0


def test_rest_shorter_than_a_break_is_none() -> None:
    assert minutes_since((LOUD, 600), (SILENT, BREAK_SECONDS - 1), (LOUD, 601)) == 30.0
    assert minutes_since((LOUD, 600), (None, BREAK_SECONDS - 1), (LOUD, 601)) == 30.0


def test_a_level_at_the_threshold_is_no_rest() -> None:
    assert minutes_since((LOUD, 600), (QUIET_DBA, BREAK_SECONDS)) == 20.0


def test_a_short_sound_does_not_undo_a_break_and_a_longer_one_does() -> None:
    half = BREAK_SECONDS // 2
    assert minutes_since((LOUD, 600), (SILENT, half), (LOUD, FORGIVEN_SECONDS), (SILENT, half)) == 0.0
    assert minutes_since((LOUD, 600), (SILENT, half), (LOUD, FORGIVEN_SECONDS + 1), (SILENT, half)) > 20.0


def test_rest_of_two_kinds_adds_up() -> None:
    assert minutes_since((LOUD, 600), (SILENT, 300), (None, 300), (LOUD, 60)) == 1.0


def test_any_order_of_calls_before_the_first_break_is_no_error() -> None:
    breaks, now = heard((LOUD, 100))
    breaks.add_second(now - 50, LOUD)
    assert breaks.seconds_since(now - 500) == 0.0


@pytest.mark.parametrize(
    ("minutes", "expected"),
    [(0, NOTHING), (59, NOTHING), (60, OFFER), (69, OFFER), (70, NOTHING), (119, NOTHING), (121, OFFER)],
)
def test_a_break_is_offered_about_hourly_for_a_while(minutes: int, expected: int) -> None:
    assert notice(10.0, {}, minutes * 60.0, 0.0) == expected


def test_where_nothing_is_known_nothing_is_said() -> None:
    assert notice(math.nan, {}, math.nan, 0.0) == NOTHING
    assert passed(math.nan) == ()


@pytest.mark.parametrize(
    ("share", "expected"),
    [(49.9, ()), (50.0, (HALF_USED,)), (79.9, (HALF_USED,)), (80.0, (HALF_USED, MOST_USED)), (900.0, (2, 3))],
)
def test_half_and_four_fifths_are_passed(share: float, expected: tuple[int, ...]) -> None:
    assert passed(share) == expected


def test_what_was_said_is_shown_for_a_while_before_an_offer() -> None:
    said = {HALF_USED: 1000, MOST_USED: 0}
    assert notice(85.0, said, 3700.0, 1000.0) == HALF_USED
    assert notice(85.0, said, 3700.0, 1000.0 + SHOWN_SECONDS - 1) == HALF_USED
    assert notice(85.0, said, 3700.0, 1000.0 + SHOWN_SECONDS) == OFFER
    assert notice(85.0, {}, 0.0, 1000.0) == NOTHING


# Creep


def creep(*stretches: tuple[float, int]) -> float:
    meter, now = Creep(), 1000
    for level, seconds in stretches:
        if level is not None:
            for second in range(now, now + seconds):
                meter.add_second(second, level)
        now += seconds
    return meter.decibels()


def test_the_level_now_against_the_first_half_hour() -> None:
    assert creep((74.0, 1800), (78.0, 1800)) == pytest.approx(4.0)
    assert creep((78.0, 1800), (74.0, 1800)) == pytest.approx(-4.0)
    assert creep((74.0, 7200)) == 0.0


def test_creep_is_the_difference_of_medians() -> None:
    # A few loud checks move a median little, an energy average much.
    first = [(74.0, 1700), (95.0, 100)]
    now = [(77.0, 800), (95.0, 100)]
    assert creep(*first, (80.0, 1000), *now) == pytest.approx(3.0)


@pytest.mark.parametrize("seconds", [0, 1800, 1800 + 449])
def test_creep_needs_the_first_half_hour_and_half_of_a_quarter_more(seconds: int) -> None:
    assert math.isnan(creep((74.0, seconds)))
    assert creep((74.0, 1800 + 450)) == 0.0


def test_pauses_and_quiet_are_no_level() -> None:
    assert creep((74.0, 900), (SILENT, 4000), (74.0, 900), (40.0, 900), (79.0, 900)) == pytest.approx(5.0)


def test_after_a_long_rest_the_days_work_begins_anew() -> None:
    meter = Creep()
    for second in range(4000):
        meter.add_second(second, 74.0)
    for second in range(4000 + 4 * HOUR + 10, 4000 + 4 * HOUR + 10 + 4000):
        meter.add_second(second, 80.0)
    assert meter.decibels() == 0.0


def test_creep_follows_a_slow_rise() -> None:
    rise: Iterable[float] = np.linspace(0.0, 6.0, 4 * HOUR)
    meter = Creep()
    for second, more in enumerate(rise):
        meter.add_second(second, 72.0 + more)
    # First half hour: 0.375 dB in the middle of it; last quarter: 6 dB less 0.1875 dB.
    assert meter.decibels() == pytest.approx(5.44, abs=0.01)
