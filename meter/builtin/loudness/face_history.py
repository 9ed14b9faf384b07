"""The history of short-term loudness: five minutes with a scale, a target line, and the marks that were set."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRect, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPolygonF

from meter import figures as words
from meter.gui.kit import scale
from meter.gui.kit.label import line_height, text_width
from meter.gui.kit.theme import MARK_PX, Theme, font, mixed
from meter.marks import Mark

BOTTOM_LUFS, TOP_LUFS = -36.0, 0.0
MARKS_LUFS = (0, -10, -20, -30)
MINUTE_SECONDS = 60
GUTTER_PX = 6
LEAST_PX = 44
"""A lower place shows no history."""


class History:
    """What is drawn, and where. ``seconds`` holds one value a second, newest last; NaN is a gap."""

    def __init__(self) -> None:
        self.place = QRect()
        self.plot = QRect()
        self.target = math.nan
        self._seconds: NDArray[np.float64] = np.empty(0)
        self._marks: list[tuple[float, str]] = []
        self._pieces: list[QPolygonF] = []

    def arrange(self, place: QRect) -> None:
        """Take a place for plot, scale and minutes; a place that is too low hides it."""
        self.place = place if place.height() >= LEAST_PX else QRect()
        gutter = text_width(f"{words.MINUS}30", MARK_PX) + GUTTER_PX
        half, foot = line_height(MARK_PX) // 2, line_height(MARK_PX) + 3
        self.plot = self.place.adjusted(gutter, half, 0, -foot) if not self.place.isEmpty() else QRect()
        self._pieces = self._make_pieces()

    def follow(self, seconds: NDArray[np.float64], marks: tuple[Mark, ...], now: float) -> bool:
        """Take a history and the marks at the time ``now`` of the audio clock; True when the picture changes."""
        shown = [(now - mark.start, mark.name) for mark in marks if 0.0 <= now - mark.start < len(seconds)]
        same_marks = [(round(age), name) for age, name in shown] == [(round(age), n) for age, n in self._marks]
        if same_marks and np.array_equal(seconds, self._seconds, equal_nan=True):
            return False
        self._seconds, self._marks = seconds.copy(), shown
        self._pieces = self._make_pieces()
        return True

    def _make_pieces(self) -> list[QPolygonF]:
        """One filled shape for each stretch without a gap."""
        if self.plot.isEmpty() or not len(self._seconds):
            return []
        step = self.plot.width() / len(self._seconds)
        pieces: list[QPolygonF] = []
        points: list[QPointF] = []
        floor = self.plot.bottom() + 1.0
        for number, place in enumerate(scale.straight_places(self._seconds, BOTTOM_LUFS, TOP_LUFS)):
            left = self.plot.left() + number * step
            if math.isnan(self._seconds[number]):
                pieces += _closed(points, floor)
                points = []
                continue
            top = floor - max(1.0, place * self.plot.height())
            points += [QPointF(left, top), QPointF(left + step, top)]
        return pieces + _closed(points, floor)

    def _y(self, level_lufs: float) -> int:
        place = scale.straight_place(level_lufs, BOTTOM_LUFS, TOP_LUFS)
        return self.plot.bottom() + 1 - round(place * self.plot.height())

    def draw_still(self, painter: QPainter, theme: Theme) -> None:
        """The scale and the minutes."""
        if self.plot.isEmpty():
            return
        painter.setFont(font(MARK_PX))
        high, free = line_height(MARK_PX), -math.inf
        for level in MARKS_LUFS:
            at = self._y(level)
            painter.setPen(mixed(theme.card, theme.line, 0.6))
            painter.drawLine(self.plot.left(), at, self.plot.right(), at)
            if at - high / 2 < free:
                continue
            free = at + high / 2
            painter.setPen(theme.soft)
            box = QRect(self.place.left(), at - high // 2, self.plot.left() - GUTTER_PX - self.place.left(), high)
            painter.drawText(box, Qt.AlignmentFlag.AlignRight, words.figure(level, 0))
        self._draw_minutes(painter, theme)

    def _draw_minutes(self, painter: QPainter, theme: Theme) -> None:
        bottom = self.plot.bottom() + 1
        painter.setPen(theme.line)
        painter.drawLine(self.plot.left(), bottom, self.plot.right(), bottom)
        count = max(1, len(self._seconds) // MINUTE_SECONDS)
        for minute in range(count + 1):
            at = self.plot.right() - round(minute * self.plot.width() / count)
            painter.drawLine(at, bottom, at, bottom + 3)

    def draw(self, painter: QPainter, theme: Theme, measured: QColor) -> None:
        """The loudness, the target across it, and the marks."""
        if self.plot.isEmpty():
            return
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(mixed(theme.card, measured, 0.55))
        for piece in self._pieces:
            painter.drawPolygon(piece)
        painter.setFont(font(MARK_PX))
        self._draw_target(painter, theme)
        self._draw_marks(painter, theme)

    def _draw_target(self, painter: QPainter, theme: Theme) -> None:
        if math.isnan(self.target):
            return
        at = self._y(self.target)
        painter.setPen(QPen(theme.ink, 1, Qt.PenStyle.DashLine))
        painter.drawLine(self.plot.left(), at, self.plot.right(), at)

    def _draw_marks(self, painter: QPainter, theme: Theme) -> None:
        """A line for each mark, named where there is room before the next one."""
        if not len(self._seconds):
            return
        ends = self.plot.right() + 1
        for age, name in reversed(self._marks):
            at = self.plot.right() - round(age * self.plot.width() / len(self._seconds))
            painter.setPen(theme.soft)
            painter.drawLine(at, self.plot.top(), at, self.plot.bottom())
            if at + 3 + text_width(name, MARK_PX) <= ends:
                painter.setPen(theme.ink)
                painter.drawText(at + 3, self.plot.top() + line_height(MARK_PX) - 4, name)
            ends = at


def _closed(points: list[QPointF], floor: float) -> list[QPolygonF]:
    if not points:
        return []
    return [QPolygonF([QPointF(points[0].x(), floor), *points, QPointF(points[-1].x(), floor)])]
