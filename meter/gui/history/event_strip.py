"""The events of the day above the lanes: passes as bars with their lengths, flags of marks, signs of the others."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QPainter, QPaintEvent, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QWidget

from meter.gui.history.time_ticks import clock_words, length_words
from meter.gui.kit.theme import MARK_PX, Theme, current_theme, font, mixed, px
from meter.logbook.day_record import CLIP, ENGINE, GAP, MARK, METER, NOTE, OVER, PASS, SEGMENT, STATE, VERDICT
from meter.logbook.recorded_day import Event

BROKEN = (GAP, OVER, CLIP, ENGINE, METER)
"""Kinds of events in the colour of what is broken."""

ROW_PX, SIGNS_PX = 19, 9
NEAR_PX = 4
BETWEEN_PX = 6
KIND_WORDS = {
    SEGMENT: "source", GAP: "gap", STATE: "state", ENGINE: "engine", METER: "meter", VERDICT: "said",
}  # fmt: skip


def told(event: Event) -> str:
    """An event in one line: ``14:32:10 gap: … (0.3 s)``."""
    begin, end = event.span
    if event.kind == PASS and end > begin:
        return f"{clock_words(begin)} pass of {length_words(end - begin)}"
    kind = KIND_WORDS.get(event.kind, event.kind)
    words = event.words if event.words.startswith(kind) else f"{kind}: {event.words}".rstrip(": ")
    lasted = f" ({length_words(end - begin)})" if end > begin else ""
    return f"{clock_words(begin)} {words}{lasted}"


class EventStrip(QWidget):
    """Two rows with lengths of passes and names of marks, and below them small signs of the other events."""

    def __init__(self) -> None:
        super().__init__()
        self._events: Sequence[Event] = ()
        self._left, self._width = 0.0, 1.0
        self._first, self._last = 0.0, 1.0
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName("events")

    def sizeHint(self) -> QSize:
        """Two rows of text and one of signs."""
        return QSize(200, 2 * px(ROW_PX) + SIGNS_PX)

    def follow_text_scale(self) -> None:
        """Take the size of the new text scale."""
        self.updateGeometry()
        self.update()

    def show_events(self, events: Sequence[Event]) -> None:
        """Draw these, in order of time; a pass is drawn by its end, which has its length."""
        self._events = [each for each in events if each.kind != PASS or each.span[1] > each.span[0]]
        self.update()

    def look_at(self, first: float, last: float, left_px: float, width_px: float) -> None:
        """Draw what lies between two times, between these pixels."""
        self._first, self._last, self._left, self._width = first, last, left_px, max(1.0, width_px)
        self.update()

    def place_of(self, moment: float) -> float:
        """Pixel of a time."""
        return self._left + (moment - self._first) / (self._last - self._first) * self._width

    def near(self, moment: float) -> list[Event]:
        """Events at a time: those that last over it, and moments within a few pixels."""
        reach = NEAR_PX * (self._last - self._first) / self._width
        return [each for each in self._events if each.span[0] - reach <= moment <= each.span[1] + reach]

    def paintEvent(self, event: QPaintEvent) -> None:
        theme = current_theme()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setFont(font(MARK_PX))
        painter.setClipRect(QRectF(self._left, 0, self._width, self.height()))
        shown = [each for each in self._events if each.span[1] >= self._first and each.span[0] <= self._last]
        free = self._left
        for each in shown:
            if each.kind == PASS:
                self._draw_pass(painter, theme, each)
        for each in shown:
            if each.kind in (MARK, NOTE):
                free = self._draw_mark(painter, theme, each, free)
            elif each.kind != PASS:
                self._draw_sign(painter, theme, each)
        painter.end()

    def _draw_pass(self, painter: QPainter, theme: Theme, event: Event) -> None:
        left, right = (self.place_of(end) for end in event.span)
        box = QRectF(left, 2, max(1.0, right - left), px(ROW_PX) - 4)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(mixed(theme.page, theme.line, 0.8))
        painter.drawRoundedRect(box, 3, 3)
        inside = box.intersected(QRectF(self._left, 0, self._width, self.height())).adjusted(4, 0, -2, 0)
        self._write(painter, inside, length_words(event.seconds), theme)

    def _draw_mark(self, painter: QPainter, theme: Theme, event: Event, free: float) -> float:
        """A small flag, with its name where that is free; returns where the next name may begin."""
        at = self.place_of(event.at)
        top = float(px(ROW_PX))
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(theme.ink)
        painter.drawPolygon(QPolygonF([QPointF(at, top + 3), QPointF(at + 7, top + 6.5), QPointF(at, top + 10)]))
        painter.setPen(theme.ink)
        painter.drawLine(QPointF(at, top + 3), QPointF(at, 2 * top - 2))
        if at < free:
            return free
        words = event.words.rstrip(".")
        wide = painter.fontMetrics().horizontalAdvance(words) + BETWEEN_PX
        self._write(painter, QRectF(at + 10, top, wide, top), words, theme)
        return at + 10 + wide

    def _draw_sign(self, painter: QPainter, theme: Theme, event: Event) -> None:
        """A bar for what lasts, a dot for a moment, along the lower edge."""
        left, right = (self.place_of(end) for end in event.span)
        top = 2.0 * px(ROW_PX)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(theme.broken if event.kind in BROKEN else theme.soft)
        if event.kind == GAP:
            painter.drawRect(QRectF(left, top + 1, max(2.0, right - left), SIGNS_PX - 2))
        else:
            painter.drawEllipse(QPointF(left, top + SIGNS_PX / 2), 2.5, 2.5)

    @staticmethod
    def _write(painter: QPainter, box: QRectF, words: str, theme: Theme) -> None:
        if painter.fontMetrics().horizontalAdvance(words) <= box.width():
            painter.setPen(theme.ink)
            painter.drawText(box, Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft, words)
