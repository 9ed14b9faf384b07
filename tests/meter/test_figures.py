"""Numbers as words."""

from __future__ import annotations

import math

import pytest

from meter import figures as words


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (-1.84, "−1.8"),
        (0.0, "0.0"),
        (-0.04, "0.0"),
        (2.0, "2.0"),
        (math.nan, "–"),
        (-math.inf, "−∞"),
        (math.inf, "∞"),
    ],
)
def test_figures(value, text):
    assert words.figure(value) == text


def test_signs_of_gains():
    assert words.figure(1.0, plus=True) == "+1.0"
    assert words.figure(0.0, 0, plus=True) == "0"
    assert words.figure(-18.0, 0, plus=True) == "−18"


def test_units_follow_numbers_only():
    assert words.with_unit(-16.2, "LUFS") == "−16.2 LUFS"
    assert words.with_unit(math.nan, "LUFS") == "–"
    assert words.with_unit(-3.0, "") == "−3.0"


def test_a_settled_figure_does_not_flutter():
    assert words.settled(-1.84, math.nan, 0.1) == pytest.approx(-1.8)
    assert words.settled(-1.86, -1.8, 0.1) == -1.8
    assert words.settled(-1.88, -1.8, 0.1) == pytest.approx(-1.9)
    assert words.settled(-math.inf, -1.8, 0.1) == -math.inf
    assert math.isnan(words.settled(math.nan, -1.8, 0.1))


def test_sides():
    # Left over right: positive leans to the left.
    assert words.side(1.24) == "leans 1.2 dB to the left"
    assert words.side(-1.24) == "leans 1.2 dB to the right"
    assert words.side(0.04) == "centred"
    assert words.side(-math.inf) == "all on the right"
    assert words.side(math.nan) == words.NOT_YET


def test_sides_in_few_words():
    assert words.side_short(1.24) == "1.2 dB left"
    assert words.side_short(-1.24) == "1.2 dB right"
    assert words.side_short(0.04) == "centred"
    assert words.side_short(-math.inf) == "all on the right"
    assert words.side_short(math.nan) == words.NOT_YET


def test_nobody_listens_while_no_sound_arrives():
    assert words.waiting(True) == "listening…"
    assert words.waiting(False) == "no sound now"


def test_ages():
    told = [words.age(seconds) for seconds in (0.5, 12.0, 75.0, 7300.0)]
    assert told == ["just now", "12 s ago", "1 min ago", "2 h ago"]
    assert words.age(math.nan) == ""


@pytest.mark.parametrize(
    ("hours", "text"),
    [(0.0, "0 min"), (0.42, "25 min"), (1.0, "1 h 00"), (3.399, "3 h 20"), (12.7, "12 h"), (500.0, "99+ h"),
     (math.inf, "99+ h"), (math.nan, "–")],
)  # fmt: skip
def test_time_left_is_rounded_down(hours, text):
    assert words.hours_and_minutes(hours) == text


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (5.0, 40.0, "5 to 40 h"),
        (2 / 3, 3.0, "40 min to 3 h"),
        (1 / 3, 2 / 3, "20 to 40 min"),
        (1.5, 1.5, "1.5 h"),
        (0.0, 3.0, "0 to 3 h"),
        (0.0, 0.0, "no time"),
        (30.0, math.inf, "30 h to over 7 days"),
        (math.inf, math.inf, "over 7 days"),
        (math.nan, 3.0, "–"),
    ],
)
def test_a_range_of_hours(low: float, high: float, text: str) -> None:
    assert words.hours_range(low, high) == text
