"""What the day is drawn from: lines that lose no peak and break at holes, axes, ticks at even local times, lanes."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator

import numpy as np
import pytest

from meter.gui.history.envelope import envelope, limits
from meter.gui.history.lanes import MOST_LINES, lanes_of, named, row_at
from meter.gui.history.time_ticks import TICK_PX, clock_words, length_words, ticks
from meter.logbook.recorded_day import FeedRecord

DAY = 36_000


@pytest.fixture
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[pytest.MonkeyPatch]:
    yield monkeypatch
    monkeypatch.undo()
    time.tzset()


def record(units: dict[str, str], **columns: np.ndarray) -> FeedRecord:
    values = {key: columns.get(key.partition(".")[2], np.zeros(3)) for key in units}
    return FeedRecord(np.arange(3), np.zeros(3, dtype=np.int64), values, units)


def test_a_single_second_stands_out_of_a_whole_day() -> None:
    at, values = np.arange(DAY, dtype=np.float64), np.full(DAY, -20.0)
    values[20_000], values[7_000] = 1.5, -60.0
    times, line = envelope(at, values, 0.0, float(DAY), 1200)
    assert len(times) <= 2 * 1200
    assert line.max() == 1.5
    assert line.min() == -60.0
    assert times[line.argmax()] == pytest.approx(20_000.0, abs=DAY / 1200)


def test_a_line_breaks_where_nothing_was_recorded() -> None:
    at = np.concatenate([np.arange(0.0, 10_000.0), np.arange(11_000.0, 20_000.0)])
    for columns in (500, 50_000):
        times, line = envelope(at, np.zeros(len(at)), 0.0, 20_000.0, columns)
        (holes,) = np.nonzero(np.isnan(line))
        assert len(holes) == 1
        assert times[holes[0]] == pytest.approx(10_000.0, abs=50.0)
    values = np.zeros(len(at))
    values[2_000:4_000] = np.nan  # recorded, but not known
    _, line = envelope(at, values, 0.0, 20_000.0, 500)
    assert np.isnan(line).sum() > 90


def test_a_near_view_has_the_rows_themselves_and_one_on_either_side() -> None:
    at = np.arange(100.0)
    times, line = envelope(at, at * 2.0, 10.5, 15.5, 800)
    assert times.tolist() == [10.0, 11.0, 12.0, 13.0, 14.0, 15.0, 16.0]
    assert line.tolist() == [20.0, 22.0, 24.0, 26.0, 28.0, 30.0, 32.0]


def test_a_view_beside_all_rows_and_an_empty_day_draw_nothing_wrong() -> None:
    at = np.arange(100.0)
    for view in ((200.0, 300.0), (-50.0, -10.0)):
        times, _ = envelope(at, at, *view, 800)
        assert len(times) <= 1
    assert [part.size for part in envelope(np.zeros(0), np.zeros(0), 0.0, 1.0, 800)] == [0, 0]


def test_an_axis_holds_what_is_loud_and_leaves_pauses_out() -> None:
    values = np.concatenate([np.full(900, -20.0), np.full(100, -80.0), [-np.inf, np.nan]])
    low, high = limits(values, 6.0, 42.0) or (0.0, 0.0)
    assert high > -20.0
    assert low >= -62.0 - 0.08 * 42.0
    assert limits(np.array([np.nan, -np.inf]), 6.0, 42.0) is None
    low, high = limits(np.array([3.0]), 6.0, 42.0) or (0.0, 0.0)
    assert low <= 0.0 or high - low >= 6.0
    low, _ = limits(np.array([0.1, 0.2]), 6.0, math.inf) or (0.0, 0.0)
    assert low == 0.0  # a loss is never below 0


@pytest.mark.parametrize("name", ["UTC", "HERE-5:45", "HERE+3:30"])
def test_ticks_are_at_even_local_times(zone: pytest.MonkeyPatch, name: str) -> None:
    zone.setenv("TZ", name)
    time.tzset()
    first = 1_795_856_400.0
    for span in (30.0, 600.0, 7_200.0, 36_000.0, 86_400.0):
        found, step = ticks(first, first + span, 1200.0)
        assert 2 <= len(found) <= 1200.0 / TICK_PX + 1
        for at in found:
            local = time.localtime(at)
            assert (local.tm_hour * 3600 + local.tm_min * 60 + local.tm_sec) % step == 0


def test_times_are_told_as_clocks_do(zone: pytest.MonkeyPatch) -> None:
    zone.setenv("TZ", "HERE-5:45")
    time.tzset()
    assert clock_words(0.0) == "05:45:00"
    assert clock_words(0.0, seconds=False) == "05:45"
    assert clock_words(1e300) == ""
    assert [length_words(each) for each in (0.24, 45.0, 60.0, 200.0, 7_500.0, 36_000.0)] == [
        "0.2 s", "45 s", "1 min", "3 min 20 s", "2 h 05 min", "10 h 00 min",
    ]  # fmt: skip


def test_lanes_are_of_one_unit_without_counters_and_blocks() -> None:
    units = {
        "loudness.momentary": "LUFS", "loudness.blocks": "LUFS", "peaks.true": "dBTP", "peaks.overs": "count",
        "loudness.short_term": "LUFS", "stereo.correlation": "", "quiet.level": "dB",
    }  # fmt: skip
    true = np.array([[-3.0, -1.0], [np.nan, -2.0], [np.nan, np.nan]])
    made = record(units, true=true, level=np.full(3, -np.inf))
    lanes = lanes_of(made, {})
    assert [lane.unit for lane in lanes] == ["LUFS", "dBTP", ""]
    assert [line.key for line in lanes[0].lines] == ["loudness.momentary", "loudness.short_term"]
    np.testing.assert_array_equal(lanes[1].lines[0].values, [-1.0, -2.0, np.nan])
    assert lanes[2].low < 0.0 < lanes[2].high
    assert [lane.unit for lane in lanes_of(made, {}, ("peaks.true",))] == ["dBTP"]
    many = record({f"vu_{number}.now": "VU" for number in range(2, 9)})
    assert [len(lane.lines) for lane in lanes_of(many, {})] == [MOST_LINES]


def test_figures_are_named_by_their_labels() -> None:
    labels = {"vu.now": "Level: VU, the highest"}
    assert named("vu.now", labels) == ("Level", "VU")
    assert named("vu_2.now", labels) == ("Level 2", "VU")
    assert named("mono_lows.loss_now", labels) == ("mono lows", "loss now")


def test_a_lane_names_its_meter_once() -> None:
    labels = {"a.one": "Loudness: momentary, 0.4 s", "a.two": "Loudness: short-term", "b.one": "Low end: loss"}
    both = lanes_of(record({"a.one": "LUFS", "a.two": "LUFS"}), labels)[0]
    assert (both.name, both.words(both.lines[0], 0)) == ("Loudness, LUFS", "momentary 0.0 LUFS")
    mixed = lanes_of(record({"a.one": "dB", "b.one": "dB"}), labels)[0]
    assert [mixed.words(line, None) for line in mixed.lines] == ["Loudness: momentary", "Low end: loss"]
    single = lanes_of(record({"b.one": "dB"}), labels)[0]
    assert single.words(single.lines[0], None) == "Low end: loss, dB"


def test_figures_of_several_parts_are_the_largest_by_name() -> None:
    shares = np.array([[5.0, 40.0, 30.0, 25.0], [np.nan, 45.0, 35.0, 15.0], [np.nan, 50.0, 30.0, 20.0]])
    made = record({"low_end.share": "%"}, share=shares)
    (lane,) = lanes_of(made, {"low_end.share": "Low end: share"}, (), ("voice", "drum", "bass", "organ"))
    assert [(line.name, line.values[0]) for line in lane.lines] == [("drum", 40.0), ("bass", 30.0), ("organ", 25.0)]
    assert lane.name == "Low end: share, %"
    (lane,) = lanes_of(made, {}, (), ("before", "after"))  # of another number
    assert [line.values.tolist() for line in lane.lines] == [[40.0, 45.0, 50.0]]


def test_a_moment_has_the_row_of_its_second() -> None:
    at = np.array([10.0, 11.0, 20.0])
    assert [row_at(at, moment) for moment in (9.9, 10.0, 11.9, 12.0, 20.5, 21.0)] == [None, 0, 1, None, 2, None]
    assert row_at(np.zeros(0), 1.0) is None
