"""The list of marks: what a span keeps when it ends, and what a reset does to the places."""

from __future__ import annotations

import math

import pytest

from meter.marks import MOST_MARKS, PASS, MarkList, name_of

NOON = 1_000_000.0


def test_the_first_mark_ends_the_span_since_the_start() -> None:
    found = MarkList()
    found.begin(40.0, NOON, {"loudness.integrated_mark": -14.0})
    before, running = found.marks
    assert (before.start, before.end, before.figures) == (0.0, 40.0, {"loudness.integrated_mark": -14.0})
    assert before.at == NOON - 40.0
    assert (running.start, running.name, running.running, running.figures) == (40.0, "mark 1", True, {})


def test_figures_of_a_span_are_kept_when_the_next_mark_is_set() -> None:
    found = MarkList()
    found.begin(10.0, NOON, {"a.b_mark": 1.0})
    found.begin(25.0, NOON + 15.0, {"a.b_mark": 2.0})
    found.begin(45.0, NOON + 35.0, {"a.b_mark": 3.0})
    assert [mark.figures.get("a.b_mark") for mark in found.marks] == [1.0, 2.0, 3.0, None]
    assert [mark.seconds(50.0) for mark in found.marks] == [10.0, 15.0, 20.0, 5.0]
    assert [mark.name for mark in found.marks] == ["start", "mark 1", "mark 2", "mark 3"]


def test_a_reset_ends_the_span_and_keeps_the_list_before_the_new_start_of_the_clock() -> None:
    found = MarkList()
    found.begin(10.0, NOON, {})
    found.restart(30.0, NOON + 20.0, {"a.b_mark": 2.0})
    assert [(mark.start, mark.end) for mark in found.marks] == [(-30.0, -20.0), (-20.0, 0.0)]
    assert found.marks[-1].figures == {"a.b_mark": 2.0}
    found.begin(5.0, NOON + 25.0, {"a.b_mark": 4.0})
    assert [mark.start for mark in found.marks] == [-30.0, -20.0, 0.0, 5.0]
    assert found.marks[2].figures == {"a.b_mark": 4.0}


def test_a_reset_without_a_mark_lists_nothing() -> None:
    found = MarkList()
    found.restart(30.0, NOON, {"a.b_mark": 2.0})
    assert found.marks == ()


@pytest.mark.parametrize(
    ("letters", "name"),
    [("ve", "verse"), ("CH", "chorus"), ("be", "before"), ("af", "after"), ("x1", "x1"), (" take\n 2 ", "take 2")],
)
def test_two_letters_name_a_mark(letters: str, name: str) -> None:
    found = MarkList()
    found.begin(10.0, NOON, {})
    found.rename(1, letters)
    assert (name_of(letters), found.marks[1].name) == (name, name)


def test_a_name_that_is_empty_or_has_no_mark_changes_nothing() -> None:
    found = MarkList()
    found.begin(10.0, NOON, {})
    before = found.marks
    for number, name in ((0, "  "), (7, "ve"), (-1, "ve")):
        found.rename(number, name)
    assert found.marks is before


def test_the_list_has_an_end_and_passes_count_for_themselves() -> None:
    found = MarkList()
    for number in range(MOST_MARKS + 9):
        found.begin(float(number + 1), NOON, {})
    found.begin(1e4, NOON, {}, PASS)
    assert len(found.marks) == MOST_MARKS
    assert (found.marks[-1].name, found.marks[-1].kind) == ("pass 1", PASS)
    found.clear()
    assert [mark.name for mark in found.marks] == ["pass 1"]
    assert math.isnan(found.marks[0].end)
