"""The ruler of a stage's card: changes of loudness and of the lows round nought."""

from __future__ import annotations

import math

from PySide6.QtCore import QPointF, QRect, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen

from meter import figures
from meter.builtin.stage.face_pane import CENTRE, LEFT, RIGHT, Pane, reach_of
from meter.builtin.stage.face_words import Change
from meter.gui.kit import scale
from meter.gui.kit.label import line_height, text_width
from meter.gui.kit.theme import MARK_PX, Theme, font, mixed, px

FAIR, NEARLY_FAIR = 0.2, 0.5
MARKS = ("phrase", "last 3 s", "since the mark")


class Ruler(Pane):
    """Two rows of changes round nought: a dot for the phrase, a ring for the newest 3 s, a bar since the mark."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: tuple[Change, ...] = ()
        self._reach = 0.0

    def show(self, rows: tuple[Change, ...]) -> None:
        """Take the changes."""
        self.rows = rows
        self._reach = reach_of([value for row in rows for value in (row.phrase, row.newest, row.mark)], self._reach)

    def high(self, width: int) -> int:
        """Height that it needs: with a line that explains the marks where that fits."""
        with_legend = 0 < self._legend_width() <= width
        return 3 * line_height(MARK_PX) + px(12) + (line_height(MARK_PX) + px(8) if with_legend else 0)

    def _legend(self) -> list[str]:
        if not self.rows or not any(math.isfinite(value) for value in self._values()[1:]):
            return []
        return [
            f"{name} {figures.with_unit(value, self.rows[0].unit, plus=True)}" if number else name
            for number, (name, value) in enumerate(zip(MARKS, self._values(), strict=True))
            if math.isfinite(value)
        ]

    def _legend_width(self) -> int:
        return sum(text_width(text, MARK_PX) + px(40) for text in self._legend())

    def draw(self, painter: QPainter, theme: Theme, blue: QColor) -> None:
        """Draw rows and scale."""
        if self.rect.isEmpty() or not self.rows:
            return
        row_high = line_height(MARK_PX) + px(6)
        names = max(text_width(row.name, MARK_PX) for row in self.rows) + px(10)
        said = text_width("+88.8 dB", MARK_PX) + px(8)
        track = self.rect.adjusted(names, 0, -said, 0)
        painter.setFont(font(MARK_PX))
        self._draw_zones(painter, theme, QRect(track.left(), track.top(), track.width(), row_high))
        for number, row in enumerate(self.rows):
            top = self.rect.top() + number * row_high
            painter.setPen(theme.soft)
            place = QRect(self.rect.left(), top, names, row_high)
            painter.drawText(place, LEFT | Qt.AlignmentFlag.AlignVCenter, row.name)
            painter.setPen(theme.ink)
            place = QRect(track.right() + 1, top, said, row_high)
            text = figures.with_unit(row.phrase, row.unit, plus=True)
            painter.drawText(place, RIGHT | Qt.AlignmentFlag.AlignVCenter, text)
            self._draw_row(painter, theme, blue, track, top + row_high / 2.0, row)
        self._draw_scale(painter, theme, track, self.rect.top() + 2 * row_high)
        if 0 < self._legend_width() <= self.rect.width():
            self._draw_legend(painter, theme, blue, self.rect.bottom() + 1 - line_height(MARK_PX))

    def _x(self, track: QRect, value: float) -> float:
        return track.left() + scale.straight_place(value, -self._reach, self._reach) * (track.width() - 1)

    def _draw_zones(self, painter: QPainter, theme: Theme, row: QRect) -> None:
        """Where the loudness counts as fair, and as nearly fair."""
        for limit, share in ((NEARLY_FAIR, 0.35), (FAIR, 0.8)):
            left, right = self._x(row, -limit), self._x(row, limit)
            painter.fillRect(
                QRectF(left, row.top(), right - left, row.height()), mixed(theme.card, theme.line, share)
            )

    def _draw_row(self, painter: QPainter, theme: Theme, blue: QColor, track: QRect, y: float, row: Change) -> None:
        painter.setPen(QPen(theme.line, 1))
        painter.drawLine(QPointF(track.left(), y), QPointF(track.right(), y))
        if math.isfinite(row.phrase):
            nought, at = self._x(track, 0.0), self._x(track, row.phrase)
            painter.fillRect(QRectF(min(nought, at), y - px(3) / 2.0, abs(at - nought), px(3)), blue)
        for number, value in enumerate((row.phrase, row.newest, row.mark)):
            if math.isfinite(value):
                self._draw_mark(painter, theme, blue, number, QPointF(self._x(track, value), y))

    @staticmethod
    def _draw_mark(painter: QPainter, theme: Theme, blue: QColor, number: int, at: QPointF) -> None:
        """A dot, a ring or a bar, by its place in ``MARKS``."""
        dot = px(10) / 2.0
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(theme.ink, px(2)) if number else Qt.PenStyle.NoPen)
        painter.setBrush(Qt.BrushStyle.NoBrush if number else blue)
        if number == MARKS.index("since the mark"):
            painter.drawLine(at - QPointF(0.0, dot + 2.0), at + QPointF(0.0, dot + 2.0))
        else:
            painter.drawEllipse(at, dot + number, dot + number)

    def _draw_legend(self, painter: QPainter, theme: Theme, blue: QColor, top: int) -> None:
        """Each mark with its name and, but for the phrase, its change of loudness."""
        x, high = self.rect.left(), line_height(MARK_PX)
        marks = [number for number, value in enumerate(self._values()) if math.isfinite(value)]
        for number, text in zip(marks, self._legend(), strict=True):
            self._draw_mark(painter, theme, blue, number, QPointF(x + px(8), top + high / 2.0))
            painter.setPen(theme.soft)
            painter.drawText(QRect(x + px(20), top, text_width(text, MARK_PX) + 2, high), LEFT, text)
            x += text_width(text, MARK_PX) + px(40)

    def _values(self) -> tuple[float, float, float]:
        row = self.rows[0]
        return row.phrase, row.newest, row.mark

    def _draw_scale(self, painter: QPainter, theme: Theme, track: QRect, top: int) -> None:
        painter.setPen(theme.faint)
        wide = px(60)
        for value in (-self._reach, 0.0, self._reach):
            text = figures.figure(value, 0 if self._reach >= 3.0 else 1, plus=True)
            x = round(self._x(track, value))
            align = LEFT if value < 0.0 else RIGHT if value > 0.0 else CENTRE
            left = x if value < 0.0 else x - wide if value > 0.0 else x - wide // 2
            painter.drawText(QRect(left, top, wide, line_height(MARK_PX)), align, text)
