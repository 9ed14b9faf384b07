"""The day record as arrays: rows in order, figures that come and go, two windows, damage, reading on."""

from __future__ import annotations

import math
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from meter.logbook.recorded_day import read, read_after
from tests.support.recorded import MORNING, DayFile, figures_of_a_mix, invented_day

ONE = (("peaks.true", "dBTP", 1),)


def rows(*values: float) -> np.ndarray:
    return np.array(values, dtype=np.float32)[:, None]


@pytest.fixture
def file(tmp_path: Path) -> DayFile:
    return DayFile(tmp_path / "day.sqlite3")


def test_rows_are_in_order_of_time_with_their_figures(file: DayFile) -> None:
    series = file.series(file.segment())
    written = figures_of_a_mix(5)
    file.seconds(series, MORNING + np.array([3, 0, 1, 4, 2]), written)
    record = read(file.path).feeds["mix"]
    assert record.at.tolist() == [MORNING + second for second in range(5)]
    assert record.columns["loudness.blocks"].shape == (5, 10)
    assert np.array_equal(record.columns["loudness.short_term"], written[[1, 2, 4, 0, 3], 1])
    assert record.units["peaks.true_latest"] == "dBTP"
    assert record.named("correlation") == "stereo.correlation"
    assert record.named("nothing") == ""


def test_a_figure_that_came_later_is_nan_before_and_wider_ones_are_filled(file: DayFile) -> None:
    first, second = file.segment(), file.segment(began=MORNING + 2.0)
    file.seconds(file.series(first, keys=ONE), [MORNING, MORNING + 1], rows(-3.0, -2.0))
    keys = (("peaks.true", "dBTP", 2), ("vu.now", "VU", 1))
    file.seconds(file.series(second, keys=keys), [MORNING + 2], np.array([[-1.0, -4.0, 3.0]], dtype=np.float32))
    record = read(file.path).feeds["mix"]
    np.testing.assert_array_equal(record.columns["peaks.true"], [[-3.0, math.nan], [-2.0, math.nan], [-1.0, -4.0]])
    np.testing.assert_array_equal(record.columns["vu.now"], [math.nan, math.nan, 3.0])


def test_two_windows_at_once_give_the_row_of_the_first_and_fill_each_others_holes(file: DayFile) -> None:
    first, second = file.segment("a"), file.segment("b", began=MORNING + 1.0)
    file.seconds(file.series(second, keys=ONE), MORNING + np.arange(1, 4), rows(-11.0, -12.0, -13.0))
    file.seconds(file.series(first, keys=ONE), MORNING + np.array([0, 1, 3]), rows(-1.0, -2.0, -3.0))
    record = read(file.path).feeds["mix"]
    assert record.at.tolist() == [MORNING + second for second in range(4)]
    assert record.columns["peaks.true"].tolist() == [-1.0, -2.0, -12.0, -3.0]


def test_a_clock_that_was_set_back_keeps_both_rows_of_a_second(file: DayFile) -> None:
    first, second = file.segment("a"), file.segment("a", began=MORNING + 1.0)
    file.seconds(file.series(first, keys=ONE), [MORNING, MORNING + 1], rows(-1.0, -2.0))
    file.seconds(file.series(second, keys=ONE), [MORNING + 1], rows(-3.0))
    assert read(file.path).feeds["mix"].columns["peaks.true"].tolist() == [-1.0, -2.0, -3.0]


def test_only_a_span_and_some_feeds_are_read_where_asked(file: DayFile) -> None:
    segment = file.segment()
    for feed in ("mix", "part drums"):
        file.seconds(file.series(segment, feed, ONE), MORNING + np.arange(4), rows(1.0, 2.0, 3.0, 4.0))
    file.event(MORNING + 0.5, "mark", "early")
    file.event(MORNING + 1.5, "mark", "inside")
    day = read(file.path, MORNING + 1, MORNING + 3, feeds=["part drums"])
    assert list(day.feeds) == ["part drums"]
    assert day.feeds["part drums"].columns["peaks.true"].tolist() == [2.0, 3.0]
    assert [event.words for event in day.events] == ["inside"]
    assert day.span == (MORNING + 1, MORNING + 3)


def test_reading_on_gives_the_same_as_reading_whole(file: DayFile) -> None:
    first = file.segment("a")
    series = file.series(first, keys=ONE)
    file.seconds(series, [MORNING, MORNING + 1], rows(-1.0, -2.0))
    file.event(MORNING, "mark", "mark 1")
    before = read(file.path)
    assert read_after(before, file.path) is before
    file.seconds(series, [MORNING + 2], rows(-3.0))
    earlier = file.segment("b", began=MORNING - 5.0)  # another window, which began before but wrote later
    file.seconds(file.series(earlier, keys=(("vu.now", "VU", 1),)), [MORNING - 1], rows(4.0))
    file.event(MORNING + 2, "gap", "", 0.25, figures={"lost": math.nan})
    grown, whole = read_after(before, file.path), read(file.path)
    for day in (grown, whole):
        assert day.feeds["mix"].at.tolist() == [MORNING - 1, MORNING, MORNING + 1, MORNING + 2]
        assert [day.segments[place].run for place in day.feeds["mix"].segment] == ["b", "a", "a", "a"]
        assert [event.kind for event in day.events] == ["mark", "gap"]
    for key, values in whole.feeds["mix"].columns.items():
        np.testing.assert_array_equal(grown.feeds["mix"].columns[key], values)


def test_several_files_are_one_stretch(tmp_path: Path) -> None:
    days = [invented_day(tmp_path / f"{day}.sqlite3", 0.01, first=MORNING + day * 86_400) for day in (1, 0)]
    day = read(days)
    assert day.span == (MORNING, MORNING + 86_400 + 36)
    assert [segment.began for segment in day.segments] == sorted(segment.began for segment in day.segments)
    assert len({segment.file for segment in day.segments}) == 2


def test_rows_of_a_wrong_length_are_left_out(file: DayFile) -> None:
    series = file.series(file.segment(), keys=ONE)
    file.seconds(series, [MORNING], rows(-1.0))
    file.run(f"INSERT INTO second (series, at, figures) VALUES ({series}, {MORNING + 1}, x'0011223344556677')")
    file.run(f"INSERT INTO second (series, at, figures) VALUES ({series}, {MORNING + 2}, 'word')")
    file.run(f"INSERT INTO second (series, at, figures) VALUES (999, {MORNING + 3}, x'00112233')")
    assert read(file.path).feeds["mix"].at.tolist() == [MORNING]


@pytest.mark.parametrize("keys", ["no JSON", "[[1]]", '[["a", "dB", 1e9]]', "null", "7"])
def test_damaged_keys_are_told_in_one_sentence(file: DayFile, keys: str) -> None:
    file.event(MORNING, "mark", "mark 1")
    file.run(f"INSERT INTO series (segment, feed, keys) VALUES ({file.segment()}, 'mix', '{keys}')")
    day = read(file.path)
    assert day.feeds == {}
    assert day.sentence.count("could not be read whole") == 1


def test_a_file_that_is_missing_or_no_database_is_told(tmp_path: Path) -> None:
    other = tmp_path / "words.sqlite3"
    other.write_text("These are words and no database, a good deal longer than a header of one.")
    good = invented_day(tmp_path / "good.sqlite3", 0.01)
    day = read([tmp_path / "missing.sqlite3", other, good])
    assert day.feeds["mix"].at.size
    assert "missing.sqlite3 could not be read" in day.sentence
    assert "words.sqlite3 could not be read" in day.sentence
    assert str(tmp_path) not in day.sentence


def test_a_mark_that_was_named_later_has_its_last_name(file: DayFile) -> None:
    file.event(MORNING + 1.25, "mark", "Mark.")
    file.event(MORNING + 2.0, "mark", "Mark.")
    before = read(file.path)
    file.event(MORNING + 1.25, "mark", "vrse")
    file.event(MORNING + 1.25, "mark", "verse")
    for day in (read(file.path), read_after(before, file.path)):
        assert [event.words for event in day.events] == ["verse", "Mark."]


def test_damaged_events_do_not_hide_the_others(file: DayFile) -> None:
    file.event(MORNING, "mark", "mark 1", figures={"a": 1.0})
    file.run("INSERT INTO event VALUES (NULL, 'when', 'mark', '', NULL, 'bad time', '{}', 1)")
    file.run(f"INSERT INTO event VALUES (NULL, {MORNING + 1}, 'gap', '', 'long', '', '[1]', 1)")
    events = read(file.path).events
    assert [(event.kind, event.words, event.figures) for event in events] == [
        ("mark", "mark 1", {"a": 1.0}),
        ("gap", "", {}),
    ]
    assert math.isnan(events[1].seconds)


@pytest.mark.parametrize(
    "keys", ["", "[1]", "[" * 5000, '[["a", "b", "' + "x" * 70_000 + '"]]', '[["a", "", -1]]'], ids=len
)
def test_one_feed_with_damaged_names_hides_no_other(file: DayFile, keys: str) -> None:
    segment = file.segment()
    file.seconds(file.series(segment, "mix", ONE), [MORNING, MORNING + 1], rows(-1.0, -2.0))
    file.event(MORNING, "mark", "mark 1")
    number = file.series(segment, "part drums", ONE)
    with sqlite3.connect(file.path) as connection:
        connection.execute("UPDATE series SET keys = ? WHERE id = ?", (keys, number))
    connection.close()
    day = read(file.path)
    assert day.feeds["mix"].columns["peaks.true"].tolist() == [-1.0, -2.0]
    assert [event.words for event in day.events] == ["mark 1"]
    assert "could not be read whole" in day.sentence
    assert day.sentence.isprintable()
    assert len(day.sentence) < 400
