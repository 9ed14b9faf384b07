"""What a card shows while its meter is set aside: a square, two words and the reason."""

from __future__ import annotations

from PySide6.QtCore import QRect
from PySide6.QtGui import QPainter

from meter.gui.kit.label import Label
from meter.gui.kit.theme import TEXT_PX, Theme, px

SQUARE_PX, BESIDE_PX = 10, 18


class FaultNote:
    """The words "set aside" beside a square, and the reason below them."""

    def __init__(self) -> None:
        self.reason = Label(TEXT_PX, role="ink", lines=8)
        self._word = Label(TEXT_PX, role="broken_ink", bold=True)
        self._word.say("set aside")

    def arrange(self, place: QRect) -> None:
        """Lay it out in a card."""
        beside = px(BESIDE_PX)
        self._word.place(QRect(place.left() + beside, place.top(), place.width() - beside, self._word.line_height))
        top = self._word.rect.bottom() + 4
        self.reason.place(QRect(place.left(), top, place.width(), place.bottom() - top))

    def draw(self, painter: QPainter, theme: Theme) -> None:
        """Draw it."""
        word, side = self._word.rect, px(SQUARE_PX)
        painter.fillRect(QRect(word.left() - px(BESIDE_PX), word.top() + 4, side, side), theme.broken)
        self._word.draw(painter, theme)
        self.reason.draw(painter, theme)
