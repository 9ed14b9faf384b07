"""The view of the day over real files: what it draws and says, zoom and cursor, growth, choices, the empty state."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtWidgets import QApplication, QMenu

from meter.gui.history.day_source import DaySource
from meter.gui.history.day_view import DayView
from meter.gui.history.lane_plot import LanePlot
from meter.gui.history.lanes import Lane, Line
from meter.logbook.day_record import day_path
from tests.support.recorded import MORNING, DayFile, figures_of_a_mix, invented_day

SONG, DAY = "an invented song", "2026-11-28"
LABELS = {"loudness.short_term": "Loudness: short-term, 3 s", "loudness.momentary": "Loudness: momentary, 0.4 s"}


@pytest.fixture(autouse=True)
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture
def open_view(qtbot, tmp_path):
    """Shows the day records under ``tmp_path``."""

    def show(wide=1200, high=640):
        view = DayView(DaySource(tmp_path, LABELS))
        qtbot.addWidget(view)
        view.resize(wide, high)
        view.refresh()
        view.show()
        QApplication.processEvents()
        return view

    return show


def path_of(folder: Path, day: str = DAY, job: str = SONG) -> Path:
    return day_path(job, day, folder)


def totals(view: DayView) -> str:
    view._say_totals()
    return view.totals.whole


def test_a_day_is_drawn_with_few_points_in_lanes_of_one_unit(open_view, tmp_path) -> None:
    invented_day(path_of(tmp_path))
    view = open_view()
    assert [lane.lane.unit for lane in view.lanes][:2] == ["LUFS", "dBTP"]
    assert "short-term" in view.lanes[0].heading.text()
    for lane in view.lanes:
        for curve in lane._curves:
            assert 100 < len(curve.xData) < 2.5 * view.width()
    assert totals(view).startswith("09:00:00 to 19:00:00 (10 h 00 min) · integrated −")
    assert totals(view).endswith("1 gap, 4 min")


def test_the_cursor_reads_figures_and_events(open_view, tmp_path) -> None:
    file = DayFile(path_of(tmp_path))
    figures = figures_of_a_mix(3600)
    figures[1800, 0:2] = (-14.2, -16.25)
    file.seconds(file.series(file.segment()), MORNING + np.delete(np.arange(3600), 2000), np.delete(figures, 2000, 0))
    file.event(MORNING + 1900.0, "pass", "chorus", 200.0)
    file.event(MORNING + 2000.0, "gap", "dropout", 1.0)
    view = open_view()
    view.point_at(1800.4)
    assert view.reading.whole == "09:30:00 · 09:28:20 pass of 3 min 20 s"
    heading = view.lanes[0].heading.text()
    assert "momentary −14.2 LUFS" in heading
    assert "short-term −16.2 LUFS" in heading
    view.look_at(MORNING + 1990.0, MORNING + 2020.0)
    view.point_at(2000.5)
    assert view.reading.whole == "09:33:20 · nothing was recorded · 09:33:20 gap: dropout (1.0 s)"
    view.point_at(math.nan)
    assert view.reading.whole.startswith("Point at a moment")
    assert "−14.2" not in view.lanes[0].heading.text()


def test_zoom_and_pan_change_all_lanes_and_the_totals(open_view, tmp_path, qtbot) -> None:
    file = DayFile(path_of(tmp_path))
    figures = figures_of_a_mix(2000)
    figures[:1000, 2:12], figures[1000:, 2:12] = -30.0, -20.0
    file.seconds(file.series(file.segment()), MORNING + np.arange(2000), figures)
    view = open_view()
    view.look_at(MORNING + 100, MORNING + 600)
    assert "integrated −30.0 LUFS" in totals(view)
    view.look_at(MORNING + 1100, MORNING + 1600)
    assert "integrated −20.0 LUFS" in totals(view)
    assert {tuple(lane.view.viewRange()[0]) for lane in view.lanes} == {(1100.0, 1600.0)}
    for key, shown in (
        (Qt.Key.Key_Left, (1000.0, 1500.0)),
        (Qt.Key.Key_Up, (1125.0, 1375.0)),
        (Qt.Key.Key_Down, (1000.0, 1500.0)),
        (Qt.Key.Key_Right, (1100.0, 1600.0)),
    ):
        qtbot.keyClick(view, key)
        assert view.shown == pytest.approx((MORNING + shown[0], MORNING + shown[1]))
    qtbot.keyClick(view, Qt.Key.Key_Home)
    assert view.shown[0] <= MORNING
    assert view.shown[1] >= MORNING + 2000


def test_the_day_grows_while_it_is_looked_at(open_view, tmp_path) -> None:
    file = DayFile(path_of(tmp_path))
    series = file.series(file.segment())
    file.seconds(series, MORNING + np.arange(300), figures_of_a_mix(300))
    view = open_view()
    lanes = list(view.lanes)
    view._read_on()
    assert view.shown[1] < MORNING + 310
    file.seconds(series, MORNING + np.arange(300, 600), figures_of_a_mix(300))
    file.event(MORNING + 400.0, "mark", "mark 1")
    view._read_on()
    assert view.lanes == lanes  # nothing flickers
    assert view.shown[0] <= MORNING
    assert view.shown[1] >= MORNING + 600
    assert view.lanes[0]._curves[0].xData[-1] == 599.0
    view.look_at(MORNING + 100, MORNING + 200)
    file.seconds(series, MORNING + np.arange(600, 700), figures_of_a_mix(100))
    view._read_on()
    assert view.shown == (MORNING + 100, MORNING + 200)  # who looks at something is left there


def test_without_a_record_it_says_so_and_shows_the_first_seconds_when_they_come(open_view, tmp_path) -> None:
    view = open_view()
    assert view.empty.isVisible()
    assert "Nothing is recorded yet" in view.empty.text()
    assert not view.strip.isVisible()
    view._read_on()
    file = DayFile(path_of(tmp_path))
    file.seconds(file.series(file.segment()), MORNING + np.arange(3), figures_of_a_mix(3))
    view._read_on()
    assert not view.empty.isVisible()
    assert len(view.lanes) > 1


def test_a_damaged_day_is_told(open_view, tmp_path) -> None:
    path = path_of(tmp_path)
    path.parent.mkdir(parents=True)
    path.write_bytes(b"no database" * 100)
    view = open_view()
    assert "2026-11-28.sqlite3 could not be read whole" in totals(view)


def test_other_days_jobs_and_feeds_can_be_chosen(open_view, tmp_path) -> None:
    invented_day(path_of(tmp_path, "2026-11-27"), 0.1, first=MORNING - 86_400)
    invented_day(path_of(tmp_path), 0.1, ("mix", "part drums"))
    view = open_view()
    head = view.head
    assert head.days.text() == "Saturday 28 November 2026"
    assert not head.after.isEnabled()
    head.before.click()
    assert head.days.text() == "Friday 27 November 2026"
    assert view.shown[1] < MORNING
    assert not head.before.isEnabled()
    head.after.click()
    menu = QMenu()
    head.fill_feeds(menu)
    assert [action.text() for action in menu.actions()] == ["mix", "drums"]
    menu.actions()[1].trigger()
    assert head.feeds.text() == "drums"
    assert view.source.rows is not None


def test_figures_are_added_and_taken_away(open_view, tmp_path) -> None:
    invented_day(path_of(tmp_path), 0.1)
    view = open_view()
    view.look_at(MORNING + 60, MORNING + 120)
    menu = QMenu()
    view.head.fill_figures(menu)
    actions = {action.text(): action for action in menu.actions()}
    assert actions["Loudness: short-term, LUFS"].isChecked()
    actions["Loudness: short-term, LUFS"].trigger()
    assert [line.key for line in view.lanes[0].lane.lines] == ["loudness.momentary"]
    assert view.shown == (MORNING + 60, MORNING + 120)


def test_a_heading_names_meters_where_there_is_room(qtbot) -> None:
    lines = [
        Line("a.left", "Width", "left over right", np.zeros(3)),
        Line("b.loss", "Low end", "mono loss", np.ones(3)),
    ]
    plot = LanePlot(Lane("dB", tuple(lines), -3.0, 3.0), MORNING)
    qtbot.addWidget(plot)
    plot.show()
    for wide, named in ((900, True), (260, False), (900, True)):
        plot.resize(wide, 120)
        assert ("Low end: mono loss" in plot.heading.text()) == named
        assert "mono loss" in plot.heading.text()
        assert plot.heading.sizeHint().width() <= wide


def test_a_low_window_has_fewer_lanes_that_are_high_enough(open_view, tmp_path) -> None:
    invented_day(path_of(tmp_path), 0.1)
    view = open_view(790, 440)
    few = len(view.lanes)
    assert all(lane.plot.height() >= 50 for lane in view.lanes)
    view.resize(1200, 900)
    QApplication.processEvents()
    assert len(view.lanes) > few
    assert all(lane.plot.height() >= 50 for lane in view.lanes)


def test_events_stand_above_their_moment_in_the_lanes(open_view, tmp_path, qtbot) -> None:
    invented_day(path_of(tmp_path), 0.5, ("mix", "part drums"))
    view = open_view()
    for change in (lambda: view.resize(900, 640), lambda: view.source.choose_feed("part drums")):
        change()
        view._show_other()
        QApplication.processEvents()
        lane = view.lanes[0]
        for moment in (60.0, 1000.0):
            above = view.strip.mapTo(view, QPoint(round(view.strip.place_of(MORNING + moment)), 0)).x()
            inside = lane.plot.mapFromScene(lane.view.mapViewToScene(QPointF(moment, 0.0)))
            assert above == pytest.approx(lane.plot.mapTo(view, inside).x(), abs=2)


def test_events_without_figures_are_still_shown(open_view, tmp_path) -> None:
    file = DayFile(path_of(tmp_path))
    file.segment()
    file.event(MORNING, "state", "waiting for the device")
    view = open_view()
    assert "only events are known" in view.empty.text()
    assert view.strip.isVisible()
    assert [event.words for event in view.strip.near(MORNING)] == ["waiting for the device"]


def test_absurd_figures_and_times_of_a_damaged_day_end_nothing(open_view, tmp_path) -> None:
    # Qt ends the process where it is asked to draw them.
    file = DayFile(path_of(tmp_path))
    figures = figures_of_a_mix(6)
    figures[1], figures[2], figures[3], figures[4] = 3e38, -3e38, math.inf, math.nan
    series = file.series(file.segment())
    file.seconds(series, MORNING + np.arange(6), figures)
    file.seconds(series, [2**60], figures[:1])
    file.event(1e300, "mark", "far away")
    file.event(MORNING + 1.0, "gap", "without end", 1e12)
    file.event(-5.0, "pass", "long ago", 3.0)
    view = open_view()
    view.grab()
    view.point_at(1.0)
    view._read_on()
    assert view.shown[1] - view.shown[0] < 3 * 86_400
    assert [event.words for event in view.source.record.events] == ["without end"]
