"""One lane of the day: the figures of one unit over time, with gaps, marks and a cursor. Times count from a base."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np
import pyqtgraph
from PySide6.QtCore import QPointF, Qt, Signal
from PySide6.QtGui import QColor, QResizeEvent
from PySide6.QtWidgets import QFrame, QLabel, QSizePolicy, QVBoxLayout, QWidget

from meter.gui.history.envelope import FloatArray, envelope
from meter.gui.history.lanes import Lane, axis_words
from meter.gui.history.time_ticks import clock_words, ticks
from meter.gui.kit.theme import MARK_PX, SUBTITLE_PX, Theme, current_theme, font, mixed, px

AXIS_PX = 50
LEAST_HIGH_PX = 56
NARROWEST_SECONDS = 20.0
LINE_ROLES = (("measured",), ("measured_deep", "measured"), ("measured_deep", "measured", "ink"))
"""Colours of one, two and three lines; the last is drawn on top."""


class TimeAxis(pyqtgraph.AxisItem):  # type: ignore[misc]  # pyqtgraph has no types
    """Local time of day."""

    base = 0

    def tickValues(self, minVal: float, maxVal: float, size: float) -> list[tuple[float, list[float]]]:
        """Tick positions at even local times."""
        found, step = ticks(self.base + minVal, self.base + maxVal, size)
        return [(float(step), [float(each - self.base) for each in found])]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        """``14:30``, with seconds where ticks are closer than a minute."""
        return [clock_words(self.base + value, seconds=spacing < 60.0) for value in values]


class FigureAxis(pyqtgraph.AxisItem):  # type: ignore[misc]  # pyqtgraph has no types
    """Figures of the lane's unit."""

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        """Labels with a true minus sign."""
        return [axis_words(value, spacing) for value in values]


class LanePlot(QWidget):
    """A heading with the figures under the cursor, and the plot. ``pointed`` carries a time, or NaN."""

    pointed = Signal(float)

    def __init__(self, lane: Lane, base: int) -> None:
        super().__init__()
        self.lane = lane
        self._at: FloatArray = np.zeros(0)
        self._row: int | None = None
        self._times, self._figures = TimeAxis("bottom"), FigureAxis("left")
        self._times.base = base
        self.heading = QLabel()
        self.heading.setTextFormat(Qt.TextFormat.RichText)
        self.heading.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.plot = self._make_plot()
        self._gaps = pyqtgraph.BarGraphItem(x0=[], x1=[], y0=[], y1=[])
        self._marks = self.plot.plot(connect="pairs")
        self.plot.addItem(self._gaps, ignoreBounds=True)
        self._curves = [self.plot.plot(connect="finite") for _ in lane.lines]
        self._cursor = pyqtgraph.InfiniteLine(angle=90)
        self._cursor.hide()
        self.plot.addItem(self._cursor, ignoreBounds=True)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(self.heading)
        column.addWidget(self.plot, 1)
        self.colour()

    def _make_plot(self) -> pyqtgraph.PlotWidget:
        plot = pyqtgraph.PlotWidget(enableMenu=False, axisItems={"bottom": self._times, "left": self._figures})
        plot.setFrameShape(QFrame.Shape.NoFrame)
        plot.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # the arrow keys stay with the view
        plot.setMinimumHeight(LEAST_HIGH_PX)
        plot.hideButtons()
        plot.setMouseEnabled(x=True, y=False)
        plot.showGrid(x=True, y=True, alpha=0.15)
        plot.setAccessibleName(self.lane.name)
        plot.getViewBox().setDefaultPadding(0.0)
        plot.setYRange(self.lane.low, self.lane.high, padding=0.0)
        plot.scene().sigMouseMoved.connect(self._moved)
        return plot

    @property
    def view(self) -> pyqtgraph.ViewBox:
        """What holds the range of times."""
        return self.plot.getViewBox()

    def take(self, lane: Lane, at: FloatArray) -> None:
        """Other rows of the same figures; ``at`` are relative times."""
        self.lane, self._at = lane, at
        if (lane.low, lane.high) != tuple(self.view.viewRange()[1]):
            self.plot.setYRange(lane.low, lane.high, padding=0.0)

    def draw(self, first: float, last: float) -> None:
        """Draw what lies between two times, as many points as there are pixels."""
        columns = max(50, round(self.view.width()))
        for curve, line in zip(self._curves, self.lane.lines, strict=True):
            times, values = envelope(self._at, line.values, first, last, columns)
            curve.setData(times, np.maximum(values, self.lane.low))

    def show_events(self, gaps: FloatArray, marks: FloatArray) -> None:
        """Gaps ``(n, 2)`` as bars over the whole height, marks ``(n,)`` as lines."""
        low, high = self.lane.low, self.lane.high
        self._gaps.setOpts(x0=gaps[:, 0], x1=gaps[:, 1], y0=np.full(len(gaps), low), y1=np.full(len(gaps), high))
        self._marks.setData(np.repeat(marks, 2), np.tile([low, high], len(marks)))

    def show_times(self, shown: bool) -> None:
        """Show the times below; only the lowest lane needs them."""
        self._times.setStyle(showValues=shown, tickLength=-4 if shown else 0)
        self._times.setHeight(None if shown else 2)

    def point_at(self, moment: float, row: int | None) -> None:
        """Put the cursor at a time (NaN removes it) and its figures into the heading."""
        shown = moment == moment
        self._cursor.setVisible(shown)
        if shown:
            self._cursor.setValue(moment)
        self._head(row)

    def _head(self, row: int | None) -> None:
        """What is drawn, each with its colour, and its figure in one row; meters are named where there is room."""
        self._row = row
        self._write_heading(brief=False)
        if self.heading.sizeHint().width() > self.width():
            self._write_heading(brief=True)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Name the meters or leave them out."""
        super().resizeEvent(event)
        self._head(self._row)

    def _write_heading(self, *, brief: bool) -> None:
        theme, row = current_theme(), self._row
        words = []
        if self.lane.meter:
            words.append(f'<span style="color:{theme.ink.name()}">{escape(self.lane.name)}</span>')
        for line, role in zip(self.lane.lines, LINE_ROLES[len(self.lane.lines) - 1], strict=True):
            words.append(
                f'<span style="color:{theme.colour(role).name()}">■</span> '
                f'<span style="color:{(theme.soft if row is None else theme.ink).name()}">'
                f"{escape(self.lane.words(line, row, brief=brief))}</span>"
            )
        self.heading.setText("&nbsp;&nbsp;&nbsp;".join(words))

    def _moved(self, place: QPointF) -> None:
        over = self.view.sceneBoundingRect().contains(place)
        self.pointed.emit(self.view.mapSceneToView(place).x() if over else float("nan"))

    def follow_text_scale(self) -> None:
        """Take the size of the new text scale."""
        self.colour()

    def colour(self) -> None:
        """Use the present theme and text size."""
        theme = current_theme()
        self.plot.setBackground(theme.card)
        self.heading.setFont(font(SUBTITLE_PX))
        self.heading.setContentsMargins(px(AXIS_PX) + 4, 4, 0, 2)
        for curve, role in zip(self._curves, LINE_ROLES[len(self.lane.lines) - 1], strict=True):
            curve.setPen(pyqtgraph.mkPen(theme.colour(role)))
        _style_gaps(self._gaps, theme)
        self._marks.setPen(pyqtgraph.mkPen(theme.faint, style=Qt.PenStyle.DotLine))
        self._cursor.setPen(pyqtgraph.mkPen(theme.ink))
        for axis in (self._times, self._figures):
            axis.setPen(QColor(theme.line))
            axis.setTextPen(QColor(theme.soft))
            axis.setTickFont(font(MARK_PX))
        self._figures.setWidth(px(AXIS_PX))
        self._head(None)


def _style_gaps(item: pyqtgraph.BarGraphItem, theme: Theme) -> None:
    """A short gap is a hairline, which has one pixel however far the view is zoomed out."""
    item.setOpts(brush=mixed(theme.card, theme.broken, 0.45), pen=pyqtgraph.mkPen(theme.broken))


def share_times(lanes: Sequence[LanePlot], first: float, last: float) -> None:
    """Have all lanes show the same times, within these."""
    for lane in lanes:
        lane.plot.setLimits(xMin=first, xMax=last, minXRange=min(NARROWEST_SECONDS, last - first))
        if lane is not lanes[0]:
            lane.plot.setXLink(lanes[0].plot)
