"""Marks in the window: K answers below the page, the list shows spans and overs, two spans compare."""

from __future__ import annotations

import time

import msgspec
import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication

from meter.gui.marks.marking import Marking
from meter.gui.marks.span_squeezes import SpanSqueezes
from meter.gui.marks.span_words import differences, figures_of, incidents, length, line_parts, time_of_day
from meter.marks import Mark
from meter.marks_file import MarksFile
from meter.readings import Frame
from meter.settings import Settings, load
from meter.stage.findings import SqueezeFindings
from tests.meter.gui.test_window import LISTENED, Bench
from tests.support.frames import frame, layout, values_at
from tests.support.stage_cards import STAGE, found, shown

VERSE = {"loudness.integrated_mark": -16.0, "loudness.range_mark": 5.0, "peaks.overs_mark": 0.0}
CHORUS = {"loudness.integrated_mark": -13.5, "loudness.range_mark": 3.0, "peaks.true_max_mark": -0.4}
NOON = 1_700_000_000.0
MARKS = (
    Mark(10.0, NOON, "verse", 40.0, VERSE),
    Mark(40.0, NOON + 30.0, "chorus", 70.0, CHORUS),
    Mark(70.0, NOON + 60.0, "mark 3"),
)
SINCE = {"loudness.integrated_mark": -14.2, "peaks.true_max_mark": 0.6, "peaks.overs_mark": 2.0}
OVERS = {
    "peaks.over_at": [float("nan")] * 38 + [20.0, 65.0],
    "peaks.over_channel": [float("nan")] * 38 + [1.0, 0.0],
    "peaks.over_peak": [float("nan")] * 38 + [1.0, 0.3],
    "peaks.over_count": [float("nan")] * 38 + [1.0, 3.0],
    "peaks.clip_at": [float("nan")] * 39 + [66.0],
    "peaks.clip_channel": [float("nan")] * 39 + [0.0],
    "peaks.clip_count": [float("nan")] * 39 + [2.0],
}


def snapshot(marks: tuple[Mark, ...] = MARKS, seconds: float = 95.0, **more: object):
    return frame(seconds, given=values_at(seconds) | SINCE | OVERS | more, marks=marks)


@pytest.fixture
def bench(qtbot, tmp_path):
    return Bench(qtbot, tmp_path)


def show(bench: Bench, found) -> None:
    bench.link.now = found
    bench.window.marking._listed_at = 0.0
    bench.window.clock.tick()
    QApplication.processEvents()


@pytest.mark.parametrize("size", [(1280, 800), (820, 560)])
def test_k_answers_on_the_first_page(bench, size) -> None:
    bench.window.resize(*size)
    bench.feed()
    line = bench.window.marking.line
    assert not line.isVisible()
    bench.key(Qt.Key.Key_K)
    assert bench.link.called("mark") == [("mark",)]
    show(bench, snapshot())
    assert line.isVisible()
    assert line.title.text() == "mark 3"
    assert "0:25" in line.words.whole
    assert "integrated −14.2 LUFS" in line.words.whole


def test_a_narrow_line_leaves_out_whole_figures(bench) -> None:
    bench.window.resize(820, 560)
    show(bench, snapshot())
    show(bench, snapshot(seconds=96.0))
    line = bench.window.marking.line
    assert line.words.whole == line.words.text()
    assert "…" not in line.words.text()


def test_two_letters_name_the_newest_mark_and_keys_are_keys_again(bench) -> None:
    show(bench, snapshot())
    bench.key(Qt.Key.Key_N)
    edit = bench.window.marking.line.edit
    assert edit.isVisible()
    bench.qtbot.keyClicks(edit, "ch")
    assert bench.link.called("name_mark") == [("name_mark", 2, "ch")]
    assert not edit.isVisible()
    bench.key(Qt.Key.Key_K)
    assert len(bench.link.called("mark")) == 1


def test_esc_leaves_the_name(bench) -> None:
    show(bench, snapshot())
    bench.key(Qt.Key.Key_N)
    edit = bench.window.marking.line.edit
    bench.qtbot.keyClicks(edit, "v")
    bench.qtbot.keyClick(edit, Qt.Key.Key_Escape)
    assert bench.link.called("name_mark") == []
    assert not edit.isVisible()


def test_the_list_has_spans_and_overs_in_the_order_of_time(bench) -> None:
    marking = bench.window.marking
    marking._wall = lambda: NOON + 85.0
    show(bench, snapshot())
    bench.key(Qt.Key.Key_J)
    names = [row.cells[1] for row in marking.list._rows]
    assert names == [
        "verse", "OVER +1.0 dBTP, right", "chorus", "OVER +0.3 dBTP, left, 3 of them", "2 clipped runs, left",
        "mark 3",
    ]  # fmt: skip
    assert [row.cells[2] for row in marking.list._rows] == ["0:30", "at 0:20", "0:30", "at 1:05", "at 1:06", "0:25"]


def test_a_span_with_missing_sound_says_so_in_the_list_and_below_the_page(bench) -> None:
    """More than a thousandth of the verse is missing, less of the chorus; 1.5 s of the span that goes on."""
    verse = msgspec.structs.replace(MARKS[0], figures={**VERSE, "loudness.lost_mark": 0.04})
    chorus = msgspec.structs.replace(MARKS[1], figures={**CHORUS, "loudness.lost_mark": 0.02})
    show(bench, snapshot(marks=(verse, chorus, MARKS[2]), **{"loudness.lost_mark": 1.5}))
    bench.key(Qt.Key.Key_J)
    lengths = [row.cells[2] for row in bench.window.marking.list._rows if row.mark >= 0]
    assert lengths == ["0:30, incomplete: 40 ms missing", "0:30", "0:25, incomplete: 1 s missing"]
    assert "0:25   ·   incomplete: 1 s missing" in bench.window.marking.line.words.whole


def test_an_over_keeps_the_time_at_which_it_was_first_seen(bench) -> None:
    """The audio clock stands still while nothing plays; the time of day does not move with it."""
    marking: Marking = bench.window.marking
    first = marking.incidents(snapshot(), NOON)
    later = marking.incidents(snapshot(), NOON + 600.0)
    assert [each.at for each in later] == [each.at for each in first]
    assert first[0].at == NOON - 75.0
    assert marking.incidents(frame(96.0), NOON + 601.0) == []


def test_click_two_spans_to_compare_them(bench) -> None:
    show(bench, snapshot())
    bench.key(Qt.Key.Key_J)
    found = bench.window.marking.list
    places = {row.cells[1]: place for place, row in enumerate(found._rows)}
    found.table.cellClicked.emit(places["chorus"], 0)
    found.table.cellClicked.emit(places["verse"], 0)
    assert found.compared.text() == "chorus less verse: integrated +2.5 LU, range −2.0 LU"
    found.table.cellClicked.emit(places["verse"], 0)
    assert "chorus less verse" not in found.compared.text()


def test_two_spans_give_a_receipt(bench) -> None:
    """Plus 6 dB in the three third octaves round 100 Hz, 2.5 LU louder, 2 dB higher peaks."""
    levels = [-30.0] * 31
    lifted = [level + 6.0 * (6 <= number <= 8) for number, level in enumerate(levels)]
    spans = []
    for mark, thirds, peak in zip(MARKS, (levels, lifted), (-3.0, -1.0), strict=False):
        figures = {f"spectrum.third_octave_mark.{number}": level for number, level in enumerate(thirds)}
        spans.append(msgspec.structs.replace(mark, figures=mark.figures | figures | {"peaks.true_max_mark": peak}))
    show(bench, snapshot((*spans, MARKS[2])))
    bench.key(Qt.Key.Key_J)
    found = bench.window.marking.list
    places = {row.cells[1]: place for place, row in enumerate(found._rows)}
    for name in ("verse", "chorus"):
        found.table.cellClicked.emit(places[name], 0)
    first, second = found.compared.text().split("\n")
    assert first.startswith("chorus less verse: ")
    assert second == (
        "Bought: +2.5 LU, +6.0 dB at 100 Hz. Paid: 2.0 dB of headroom, low end 26 to 35 % of the power."
    )


def test_spans_of_other_bars_have_no_receipt(bench) -> None:
    spans = []
    for mark, slope in zip(MARKS, (1.0, -1.0), strict=False):
        figures = {f"spectrum.third_octave_mark.{number}": -40.0 + slope * number for number in range(31)}
        spans.append(msgspec.structs.replace(mark, figures=mark.figures | figures))
    show(bench, snapshot((*spans, MARKS[2])))
    bench.key(Qt.Key.Key_J)
    found = bench.window.marking.list
    for place, row in enumerate(found._rows):
        if row.cells[1] in ("verse", "chorus"):
            found.table.cellClicked.emit(place, 0)
    assert found.compared.text().endswith(
        "No receipt: the two spectra have too little in common; play the same bars in both."
    )


def test_what_two_spans_cost_a_stage_that_is_fed_is_told() -> None:
    """A phrase of 20 s tells of a span once all of it lies in there."""
    squeezes = SpanSqueezes()
    for start, seconds, squeeze_db in ((10.0, 25.0, 2.0), (40.0, 5.0, 9.0), (40.0, 22.0, 3.4), (80.0, 12.0, 5.0)):
        stage = msgspec.structs.replace(STAGE, squeeze=SqueezeFindings(squeeze_db))
        now = shown({"tape": found(stage)}, seconds=start + seconds)
        mark = Mark(start, NOON + start, "mark")
        squeezes.observe(Frame(now.layout, now.values, now.status, now.findings, (mark,)))
    assert squeezes.changes(NOON + 10.0, NOON + 40.0) == ["tape 1.4 dB harder"]
    assert squeezes.changes(NOON + 40.0, NOON + 10.0) == ["tape 1.4 dB lighter"]
    assert squeezes.changes(NOON + 10.0, NOON + 80.0) == [], "its phrase reaches back before the mark"
    assert squeezes.changes(NOON, NOON + 10.0) == []


def test_a_name_changed_in_the_list_is_handed_on(bench) -> None:
    show(bench, snapshot())
    bench.key(Qt.Key.Key_J)
    found = bench.window.marking.list
    place = next(place for place, row in enumerate(found._rows) if row.cells[1] == "chorus")
    found.table.item(place, 1).setText("after")
    assert bench.link.called("name_mark") == [("name_mark", 1, "after")]
    found.empty.click()
    assert bench.link.called("clear_marks") == [("clear_marks",)]


def test_the_list_follows_marks_that_go(bench) -> None:
    show(bench, snapshot())
    bench.key(Qt.Key.Key_J)
    found = bench.window.marking.list
    for place, row in enumerate(found._rows):
        if row.mark >= 0:
            found.table.cellClicked.emit(place, 0)
    show(bench, snapshot(marks=()))
    assert all(row.mark < 0 for row in found._rows)
    assert not bench.window.marking.line.isVisible()


def test_the_last_span_is_shown_when_it_has_ended(bench) -> None:
    ended = (*MARKS[:2], msgspec.structs.replace(MARKS[2], end=80.0, figures=CHORUS))
    show(bench, snapshot(marks=ended))
    words = bench.window.marking.line.words.whole
    assert "ended, 0:10" in words
    assert "−13.5 LUFS" in words


@pytest.mark.parametrize(
    ("seconds", "text"), [(0.0, "0:00"), (34.4, "0:34"), (725.0, "12:05"), (3727.0, "1:02:07"), (float("nan"), "–")]
)
def test_lengths(seconds: float, text: str) -> None:
    assert length(seconds) == text


def test_what_is_not_known_is_left_out() -> None:
    silent = {"loudness.integrated_mark": float("-inf"), "peaks.overs_mark": 0.0}
    known = figures_of(layout())
    assert line_parts(known, silent) == ["integrated −∞ LUFS", "overs 0"]
    assert differences(known, silent, VERSE) == ["overs 0"]
    assert list(incidents(frame(5.0), NOON)) == []


def test_what_happens_at_play_is_chosen_in_the_menu_and_kept(bench) -> None:
    actions = bench.window.more.at_play.actions()
    assert [action.isChecked() for action in actions] == [True, False, False]
    actions[1].trigger()
    assert bench.link.called("choose_at_play")[-1] == ("choose_at_play", "reset")
    assert bench.window._settings.at_play == "reset"
    assert [action.isChecked() for action in bench.window.more.at_play.actions()] == [False, True, False]
    bench.window.save()
    assert load(bench.path)[0].at_play == "reset"


def test_the_choice_at_play_is_used_at_the_next_start(qtbot, tmp_path) -> None:
    bench = Bench(qtbot, tmp_path, Settings(source=LISTENED, cautions_read=True, at_play="nothing"))
    assert bench.link.called("choose_at_play") == [("choose_at_play", "nothing")]


def test_a_word_in_the_settings_file_that_is_no_choice_is_the_usual_one(tmp_path) -> None:
    path = tmp_path / "settings.json"
    path.write_text('{"at_play": "explode"}', encoding="utf-8")
    assert load(path)[0].at_play == "pass"


def test_marks_are_kept_for_the_next_start(qtbot, tmp_path):
    path = tmp_path / "marks.msgpack"
    first = Bench(qtbot, tmp_path, marks_file=MarksFile(path))
    assert not first.link.called("put_back_marks")
    show(first, snapshot(marks=()))
    show(first, snapshot())
    assert [mark.name for mark in MarksFile(path).load(NOON + 95.0)[0]] == ["verse", "chorus", "mark 3"]
    show(first, snapshot(seconds=100.0))
    first.window.close()
    second = Bench(qtbot, tmp_path, marks_file=MarksFile(path))
    ((_, found),) = second.link.called("put_back_marks")
    assert [mark.name for mark in found] == ["verse", "chorus", "mark 3"]
    assert (found[-1].running, found[-1].seconds(0.0)) == (False, 30.0)
    assert found[-1].figures["loudness.integrated_mark"] == -14.2
    second.window.close()


def test_the_figures_of_a_span_that_goes_on_are_saved_every_minute(bench, tmp_path):
    marking, path = bench.window.marking, tmp_path / "marks.msgpack"
    wall = [NOON + 95.0]
    marking._file, marking._wall, marking._saved_at = MarksFile(path), lambda: wall[0], wall[0]
    show(bench, snapshot())
    for seconds, kept in ((30.0, 0), (61.0, 1)):
        wall[0] = NOON + 95.0 + seconds
        show(bench, snapshot(seconds=95.0 + seconds))
        assert path.exists() is bool(kept)
    assert MarksFile(path).load(wall[0])[0][-1].seconds(0.0) == 86.0


def test_marks_that_cannot_be_saved_are_told_once(bench, tmp_path):
    (tmp_path / "file").write_text("in the way")
    bench.window.marking._file = MarksFile(tmp_path / "file" / "marks.msgpack")
    said = []
    bench.window.feed_line.say = said.append
    for marks in ((), MARKS[:1], MARKS[:2], MARKS):
        show(bench, snapshot(marks=marks))
    assert len(said) == 1
    assert "marks cannot be saved" in said[0]


def test_a_mark_of_another_day_has_its_date():
    assert time_of_day(NOON, NOON + 60.0) == time.strftime("%H:%M:%S", time.localtime(NOON))
    then = time.localtime(NOON)
    assert time_of_day(NOON, NOON + 86_400.0) == f"{then.tm_mday} Nov {then.tm_hour:02d}:{then.tm_min:02d}"
