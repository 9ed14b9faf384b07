"""The engine's state as a shape beside the feed line."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QWidget

from meter.gui.kit.theme import current_theme

MARK_PX = 12


class StateMark(QWidget):
    """The engine's state as a shape: disc measuring, two bars held, ring waiting for sound, square broken."""

    def __init__(self) -> None:
        super().__init__()
        self._state = ""
        self._broken = False
        self.setFixedSize(MARK_PX, MARK_PX)

    def show_state(self, state: str, *, broken: bool) -> None:
        """Change the shape; repaints only then."""
        if (state, broken) != (self._state, self._broken):
            self._state, self._broken = state, broken
            self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        theme = current_theme()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(Qt.PenStyle.NoPen)
        box = self.rect().adjusted(1, 1, -1, -1)
        if self._broken:
            painter.setBrush(theme.broken)
            painter.drawRect(box)
        elif self._state == "held":
            painter.setBrush(theme.ink)
            painter.drawRect(box.x() + 1, box.y(), 3, box.height())
            painter.drawRect(box.right() - 3, box.y(), 3, box.height())
        elif self._state == "running":
            painter.setBrush(theme.measured)
            painter.drawEllipse(box)
        else:
            painter.setPen(theme.soft)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawEllipse(box.adjusted(0, 0, -1, -1))
