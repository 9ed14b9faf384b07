"""Ears only: nothing to look at. Measuring goes on; only a fault is told, small, since then it does not."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QMouseEvent, QPainter, QPaintEvent
from PySide6.QtWidgets import QWidget

from meter.gui.kit.theme import SUBTITLE_PX, current_theme, font
from meter.gui.source.feed_words import is_broken, state_words
from meter.readings import FeedStatus

BACK_WORDS = "E or a click brings the page back."
REST_WORDS = f"ears only, still measuring.  {BACK_WORDS}"
STANDS_STILL = ("held", "ended")
EDGE_PX = 24


class EarsOnly(QWidget):
    """A blank page in the page's colour with one faint line at its foot."""

    left = Signal()

    def __init__(self) -> None:
        super().__init__()
        self._words = REST_WORDS
        self._broken = False
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setAccessibleName(REST_WORDS)

    @property
    def words(self) -> str:
        """The line at the foot."""
        return self._words

    def show_status(self, status: FeedStatus) -> None:
        """Change the line only when measuring stopped or goes on again."""
        broken = is_broken(status)
        words = REST_WORDS
        if broken:
            words = f"{state_words(status)}.  {status.sentence}".strip()
        elif status.state in STANDS_STILL:
            words = f"ears only, {state_words(status)}.  {BACK_WORDS}"
        if words != self._words:
            self._words, self._broken = words, broken
            self.setAccessibleName(words)
            self.update()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """A click anywhere brings the page back."""
        self.left.emit()

    def paintEvent(self, event: QPaintEvent) -> None:
        theme = current_theme()
        painter = QPainter(self)
        painter.fillRect(self.rect(), theme.page)
        painter.setFont(font(SUBTITLE_PX))
        painter.setPen(theme.broken_ink if self._broken else theme.faint)
        box = self.rect().adjusted(EDGE_PX, EDGE_PX, -EDGE_PX, -EDGE_PX)
        foot = Qt.AlignmentFlag.AlignBottom | Qt.AlignmentFlag.AlignHCenter | Qt.TextFlag.TextWordWrap
        painter.drawText(box, foot, self._words)
