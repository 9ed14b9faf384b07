"""Two loudspeakers and the seat: which one is to sound in this step, which one does, and what was read there."""

from __future__ import annotations

import math
from collections.abc import Sequence

from PySide6.QtCore import QPointF, QRect, QRectF, QSize, Qt
from PySide6.QtGui import QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from meter.gui.kit.theme import SUBTITLE_PX, current_theme, font, mixed

LEAST_SIZE = QSize(300, 150)
BOX = QSize(46, 66)
HEAD_PX = 34
APART_SHARE = 0.27
MOST_APART_PX = 190
SILENT_DBFS, LOUD_DBFS = -60.0, -20.0
"""Between these a loudspeaker fills."""


class SeatPicture(QWidget):
    """``show_step`` says what is to sound, ``show_levels`` what does, ``show_read`` writes beside each part."""

    def __init__(self) -> None:
        super().__init__()
        self._wanted: tuple[bool, ...] = (False, False)
        self._levels: tuple[float, ...] = ()
        self._read: tuple[str, ...] = ("", "")
        self._seat = ""
        self.setMinimumSize(LEAST_SIZE)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)

    def show_step(self, wanted: Sequence[bool], read: Sequence[str], seat: str = "") -> None:
        """One truth value and one text for each loudspeaker, and a text for the seat."""
        self._wanted, self._read, self._seat = tuple(wanted), tuple(read), seat
        self._levels = ()
        self.update()

    def show_levels(self, levels_dbfs: Sequence[float]) -> None:
        """What each channel of the feed carries now."""
        shown = tuple(round(level) if math.isfinite(level) else SILENT_DBFS for level in levels_dbfs)
        if shown != self._levels:
            self._levels = shown
            self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setFont(font(SUBTITLE_PX))
        middle = self.width() // 2
        apart = min(MOST_APART_PX, round(self.width() * APART_SHARE))
        places = [middle] if len(self._wanted) == 1 else [middle - apart, middle + apart]
        head = QPointF(middle, self.height() - HEAD_PX / 2 - 24)
        for number, place in enumerate(places):
            box = QRect(place - BOX.width() // 2, 8, BOX.width(), BOX.height())
            self._draw_path(painter, box, head, number)
            self._draw_loudspeaker(painter, box, number)
        self._draw_head(painter, head)

    def _sounding(self, number: int) -> float:
        """From 0, silent, to 1."""
        if number >= len(self._levels):
            return 0.0
        share = (self._levels[number] - SILENT_DBFS) / (LOUD_DBFS - SILENT_DBFS)
        return min(1.0, max(0.0, share))

    def _draw_path(self, painter: QPainter, box: QRect, head: QPointF, number: int) -> None:
        theme, sounding = current_theme(), self._sounding(number) > 0.0
        style = Qt.PenStyle.SolidLine if sounding else Qt.PenStyle.DotLine
        painter.setPen(QPen(theme.measured if sounding else theme.line, 1, style))
        start = QPointF(box.center().x(), box.bottom() + 4)
        across, down = head.x() - start.x(), head.y() - start.y()
        length = math.hypot(across, down)
        if length > 2 * HEAD_PX:
            cut = 1.0 - (HEAD_PX / 2 + 6) / length
            painter.drawLine(start, QPointF(start.x() + across * cut, start.y() + down * cut))

    def _draw_loudspeaker(self, painter: QPainter, box: QRect, number: int) -> None:
        theme = current_theme()
        wanted, share = self._wanted[number], self._sounding(number)
        painter.setPen(QPen(theme.ink if wanted else theme.line, 2 if wanted else 1))
        painter.setBrush(mixed(theme.trough, theme.measured, 0.25 + 0.75 * share) if share else theme.trough)
        painter.drawRoundedRect(QRectF(box), 5, 5)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(theme.on_signal if share > 0.5 else theme.soft, 1))
        centre = QPointF(box.center())
        painter.drawEllipse(centre + QPointF(0, -17), 7, 7)
        painter.drawEllipse(centre + QPointF(0, 11), 14, 14)
        left = len(self._wanted) == 2 and number == 0
        aside = QRect(box.left() - 164, box.top(), 152, 20) if left else QRect(box.right() + 13, box.top(), 152, 20)
        flag = Qt.AlignmentFlag.AlignRight if left else Qt.AlignmentFlag.AlignLeft
        painter.setPen(theme.ink if wanted or self._read[number] else theme.faint)
        name = ("left", "right")[number] if len(self._wanted) == 2 else ""
        painter.drawText(aside, flag | Qt.AlignmentFlag.AlignVCenter, f"{name} {self._read[number]}".strip())
        painter.setPen(theme.measured_ink)
        words = self._heard_words(number)
        painter.drawText(aside.translated(0, 22), flag | Qt.AlignmentFlag.AlignVCenter, words)

    def _heard_words(self, number: int) -> str:
        return "signal" if self._sounding(number) > 0.0 else ""

    def _draw_head(self, painter: QPainter, head: QPointF) -> None:
        theme = current_theme()
        painter.setPen(QPen(theme.soft, 1))
        painter.setBrush(theme.trough)
        painter.drawEllipse(head, HEAD_PX / 2, HEAD_PX / 2)
        painter.setPen(theme.ink)
        box = QRectF(0, head.y() + HEAD_PX / 2 + 2, self.width(), 22)
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, self._seat)
