"""The day as it was recorded: lanes of figures over time, with passes, marks and gaps.

The wheel zooms the time, a drag moves it, a double click shows the whole day; the arrow keys do the same. It reads
the files of the recorder, so it also shows the day while no engine runs.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from PySide6.QtCore import QEvent, QObject, QPoint, Qt, QTimer, Signal
from PySide6.QtGui import QHideEvent, QKeyEvent, QResizeEvent, QShowEvent
from PySide6.QtWidgets import QVBoxLayout, QWidget

from meter.figures import with_unit
from meter.gui.history.day_head import DayHead
from meter.gui.history.day_source import DaySource
from meter.gui.history.event_strip import EventStrip, told
from meter.gui.history.lane_plot import LEAST_HIGH_PX, LanePlot, share_times
from meter.gui.history.lanes import row_at
from meter.gui.history.time_ticks import clock_words, length_words
from meter.gui.kit.theme import SUBTITLE_PX, TEXT_PX, px
from meter.gui.kit.widgets import ElidedLine, Paragraph
from meter.logbook.day_record import GAP, MARK
from meter.logbook.day_totals import gaps, integrated_lufs

READ_EVERY_MS, TOTALS_AFTER_MS = 2000, 150
LANE_PX = LEAST_HIGH_PX + 30
"""Room for one lane and its heading."""

OTHERS_PX = 110
"""Room for the buttons above and the two lines below."""

PAN_SHARE, ZOOM_FACTOR = 0.2, 2.0
EDGE_SHARE = 0.01
LEAST_DAY_SECONDS = 60.0
NO_RECORD = (
    "Nothing is recorded yet. The window records one row a second while it listens; the day appears here after a few "
    "seconds of sound."
)
NO_FIGURES = "No figure was recorded on this feed; only events are known."
POINT_HERE = "Point at a moment to read it. The wheel zooms, a drag moves, a double click shows the whole day."


class DayView(QWidget):
    """See the module's description. ``left`` asks for the page."""

    left = Signal()

    def __init__(self, source: DaySource) -> None:
        super().__init__()
        self.source = source
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self._base = 0
        self._relative = np.zeros(0)
        self.lanes: list[LanePlot] = []
        self._make_parts()
        self._arrange()
        self._reader = self._timer(READ_EVERY_MS, self._read_on, single=False)
        self._totals_timer = self._timer(TOTALS_AFTER_MS, self._say_totals, single=True)

    def _timer(self, milliseconds: int, act: Callable[[], None], *, single: bool) -> QTimer:
        timer = QTimer(self)
        timer.setInterval(milliseconds)
        timer.setSingleShot(single)
        timer.timeout.connect(act)
        return timer

    def _make_parts(self) -> None:
        self.head = DayHead(self.source)
        self.head.chosen.connect(self._show_other)
        self.head.whole_asked.connect(self.show_whole)
        self.head.left.connect(self.left)
        self.strip = EventStrip()
        self.empty = Paragraph(NO_RECORD, "soft", TEXT_PX)
        self.empty.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.reading, self.totals = ElidedLine(TEXT_PX, "ink"), ElidedLine(SUBTITLE_PX, "soft")

    def _arrange(self) -> None:
        self._holder = QVBoxLayout()
        self._holder.setSpacing(0)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(4)
        column.addWidget(self.head)
        column.addWidget(self.strip)
        column.addLayout(self._holder, 1)
        column.addWidget(self.empty, 1)
        column.addWidget(self.reading)
        column.addWidget(self.totals)

    # What is shown

    def refresh(self) -> None:
        """Read the record and show the whole day."""
        self.source.look()
        self._show_record()
        self.show_whole()
        self._say_totals()

    def _show_record(self) -> None:
        """Make the lanes for what was read."""
        source = self.source
        span = source.span
        self._base = math.floor(span[0]) if span else 0
        self._make_lanes()
        self.head.show_source({line.key for lane in self.lanes for line in lane.lane.lines})
        self.strip.show_events(source.record.events)
        self.strip.setVisible(span is not None)
        self.empty.setVisible(not self.lanes)
        self.empty.setText(NO_FIGURES if span else NO_RECORD)
        self.reading.setVisible(bool(self.lanes))
        self.reading.say(POINT_HERE, "soft")

    def _make_lanes(self) -> None:
        """As many lanes as there is room for."""
        for old in self.lanes:
            self._holder.removeWidget(old)
            old.hide()
            old.deleteLater()
        lanes = self.source.lanes[: self._most_lanes()]
        self.lanes = [LanePlot(lane, self._base) for lane in lanes]
        for lane in self.lanes:
            lane.pointed.connect(self.point_at)
            lane.plot.viewport().installEventFilter(self)
            lane.show_times(lane is self.lanes[-1])
            self._holder.addWidget(lane, 1)
        if self.lanes:
            self.lanes[0].view.sigXRangeChanged.connect(lambda *_: self._draw())
            self.lanes[0].view.sigResized.connect(lambda *_: self._draw())  # its width is known when it is laid out
        self._take()

    def _most_lanes(self) -> int:
        taken = self.strip.sizeHint().height() + px(OTHERS_PX)
        return max(1, (self.height() - taken) // px(LANE_PX))

    def _take(self) -> None:
        """Hand the rows to the lanes."""
        rows, span = self.source.rows, self.source.span
        if rows is None or span is None or not self.lanes:
            return
        self._relative = (rows.at - self._base).astype(np.float64)
        found = {lane.unit: lane for lane in self.source.lanes}
        edges = self._edges()
        share_times(self.lanes, *edges)
        gap_ends = [event.span for event in self.source.record.events if event.kind == GAP]
        marks = [event.at for event in self.source.record.events if event.kind == MARK]
        for lane in self.lanes:
            lane.take(found.get(lane.lane.unit, lane.lane), self._relative)
            lane.show_events(np.array(gap_ends).reshape(-1, 2) - self._base, np.array(marks) - self._base)

    def _edges(self) -> tuple[float, float]:
        """The whole day with a small margin, as relative times."""
        first, last = self.source.span or (0.0, 1.0)
        room = max(EDGE_SHARE * (last - first), (LEAST_DAY_SECONDS - (last - first)) / 2.0)
        return first - self._base - room, last - self._base + room

    # Zoom, pan and cursor

    @property
    def shown(self) -> tuple[float, float]:
        """First and last time that is drawn, in seconds since 1970."""
        if not self.lanes:
            return self._base + self._edges()[0], self._base + self._edges()[1]
        first, last = self.lanes[0].view.viewRange()[0]
        return self._base + first, self._base + last

    def look_at(self, first: float, last: float) -> None:
        """Show what lies between two times, in seconds since 1970."""
        if self.lanes:
            self.lanes[0].plot.setXRange(first - self._base, last - self._base, padding=0.0)
        self._draw()

    def show_whole(self) -> None:
        """Show the whole day."""
        first, last = self._edges()
        self.look_at(self._base + first, self._base + last)

    def point_at(self, moment: float) -> None:
        """Read the figures and events at a relative time; NaN ends that."""
        outside = math.isnan(moment)
        row = None if outside else row_at(self._relative, moment)
        for lane in self.lanes:
            lane.point_at(moment, row)
        if outside:
            self.reading.say(POINT_HERE, "soft")
            return
        at = self._base + moment
        near = [told(event) for event in self.strip.near(at)]
        nothing = [] if row is not None else ["nothing was recorded"]
        self.reading.say(" · ".join([clock_words(at), *nothing, *near]), "ink")

    def _draw(self) -> None:
        """Draw what is shown now, in all lanes."""
        first, last = self.shown
        for lane in self.lanes:
            lane.draw(first - self._base, last - self._base)
        if self.lanes:
            box = self.lanes[0].view.sceneBoundingRect()
            corner = self.lanes[0].plot.mapTo(self, QPoint(round(box.left()), 0)).x() - self.strip.x()
            self.strip.look_at(first, last, float(corner), box.width())
        else:
            self.strip.look_at(first, last, 0.0, float(self.strip.width()))
        self._totals_timer.start()

    def _say_totals(self) -> None:
        """Loudness and gaps of what is shown."""
        source, rows = self.source, self.source.rows
        if source.span is None:
            self.totals.say(source.record.sentence)
            return
        first, last = self.shown
        first, last = max(first, source.span[0]), min(last, source.span[1])
        words = [f"{clock_words(first)} to {clock_words(last)} ({length_words(max(0.0, last - first))})"]
        if rows is not None and not math.isnan(loudness := integrated_lufs(rows.between(first, last))):
            words.append(f"integrated {with_unit(loudness, 'LUFS')}")
        count, seconds = gaps([each for each in source.record.events if first <= each.at < last])
        words.append(f"{count} gap{'s' if count > 1 else ''}, {length_words(seconds)}" if count else "no gaps")
        self.totals.say(" · ".join([*words, *filter(None, [source.record.sentence])]))

    def _read_on(self) -> None:
        """Read what came. The whole day stays whole, and the newest moment stays in view when it was."""
        before, shown, edges = self._drawn_keys, self.shown, self._edges()
        if not self.source.read_on():
            return
        if not self.lanes or self._drawn_keys != before:
            self._show_record()
            self.show_whole()
            return
        self.strip.show_events(self.source.record.events)
        self._take()
        moved = self._edges()[1] - edges[1]
        if shown[0] <= self._base + edges[0] + 1.0 and shown[1] >= self._base + edges[1] - 1.0:
            self.show_whole()
        elif shown[1] >= self._base + edges[1] - 1.0:
            self.look_at(shown[0] + moved, shown[1] + moved)
        else:
            self.look_at(*shown)

    @property
    def _drawn_keys(self) -> list[tuple[str, ...]]:
        """Keys of the figures of each lane that there could be."""
        return [tuple(line.key for line in lane.lines) for lane in self.source.lanes]

    def _show_other(self) -> None:
        """Show the day, job, feed or figures that were chosen; the times stay where they are of the same day."""
        same_day, shown = self.source.span is not None and self._base == math.floor(self.source.span[0]), self.shown
        self._show_record()
        if same_day:
            self.look_at(*shown)
        else:
            self.show_whole()

    # Events of the widget

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """A double click in a lane shows the whole day; a pointer that left reads nothing."""
        if event.type() == QEvent.Type.MouseButtonDblClick:
            self.show_whole()
            return True
        if event.type() == QEvent.Type.Leave:
            self.point_at(math.nan)
        return False

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Arrows move and zoom, Home shows the whole day, Escape leaves."""
        first, last = self.shown
        step, middle = PAN_SHARE * (last - first), (first + last) / 2.0
        half = (last - first) / 2.0
        match event.key():
            case Qt.Key.Key_Left:
                self.look_at(first - step, last - step)
            case Qt.Key.Key_Right:
                self.look_at(first + step, last + step)
            case Qt.Key.Key_Up | Qt.Key.Key_Plus:
                self.look_at(middle - half / ZOOM_FACTOR, middle + half / ZOOM_FACTOR)
            case Qt.Key.Key_Down | Qt.Key.Key_Minus:
                self.look_at(middle - half * ZOOM_FACTOR, middle + half * ZOOM_FACTOR)
            case Qt.Key.Key_Home:
                self.show_whole()
            case Qt.Key.Key_Escape:
                self.left.emit()
            case _:
                super().keyPressEvent(event)

    def showEvent(self, event: QShowEvent) -> None:
        """Read on while it is seen."""
        super().showEvent(event)
        self._reader.start()

    def hideEvent(self, event: QHideEvent) -> None:
        """Read nothing while it is not seen."""
        super().hideEvent(event)
        self._reader.stop()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Have as many lanes as there is room for."""
        super().resizeEvent(event)
        if len(self.source.lanes[: self._most_lanes()]) != len(self.lanes):
            shown = self.shown
            self._show_record()
            self.look_at(*shown)

    def changeEvent(self, event: QEvent) -> None:
        """Follow a change of theme."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.PaletteChange and hasattr(self, "lanes"):
            for lane in self.lanes:
                lane.colour()
            self.strip.update()
