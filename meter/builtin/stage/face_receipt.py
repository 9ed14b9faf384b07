"""The receipt of a stage's card: what was bought on the left, what was paid on the right."""

from __future__ import annotations

from PySide6.QtCore import QRect
from PySide6.QtGui import QColor, QPainter

from meter.builtin.stage.face_pane import LEFT, Pane
from meter.gui.kit.label import line_height, text_width
from meter.gui.kit.theme import MARK_PX, TEXT_PX, Theme, font, px

NOTHING = "nothing"
GAP_PX = 28
LEAST_LINES = 3
"""An entry that comes or goes then moves nothing above it."""


class Receipt(Pane):
    """Two columns of entries under “bought” and “paid”."""

    def __init__(self) -> None:
        super().__init__()
        self._columns: tuple[tuple[str, tuple[str, ...]], ...] = ()

    def show(self, bought: list[str], paid: list[str]) -> None:
        """Take the entries."""
        self._columns = (("bought", tuple(bought) or (NOTHING,)), ("paid", tuple(paid) or (NOTHING,)))

    def high(self) -> int:
        """Height that it needs."""
        lines = max((len(entries) for _, entries in self._columns), default=0)
        lines = max(lines, LEAST_LINES)
        return line_height(MARK_PX) + px(4) + lines * line_height(TEXT_PX)

    def fits(self, width: int) -> bool:
        """Whether every entry stands whole in its column of a card of this width."""
        return sum(self._needed()) + px(GAP_PX) <= width

    def _needed(self) -> list[int]:
        return [max(text_width(text, TEXT_PX) for text in entries) for _, entries in self._columns]

    def _widths(self) -> tuple[int, int]:
        """Of both columns: equal where both then hold their entries."""
        left, right = self._needed()
        both = self.rect.width() - px(GAP_PX)
        first = min(max(both // 2, left), both - right)
        return first, both - first

    def draw(self, painter: QPainter, theme: Theme, blue: QColor) -> None:
        """Write both columns; ``blue`` is not used."""
        if self.rect.isEmpty():
            return
        left, high = self.rect.left(), line_height(TEXT_PX)
        for (heading, entries), wide in zip(self._columns, self._widths(), strict=True):
            top = self.rect.top()
            painter.setPen(theme.soft)
            painter.setFont(font(MARK_PX))
            painter.drawText(QRect(left, top, wide, line_height(MARK_PX)), LEFT, heading)
            top += line_height(MARK_PX) + px(2)
            painter.setPen(theme.line)
            painter.drawLine(left, top, left + wide, top)
            painter.setFont(font(TEXT_PX))
            for row, entry in enumerate(entries):
                painter.setPen(theme.soft if entry == NOTHING else theme.ink)
                painter.drawText(QRect(left, top + px(2) + row * high, wide, high), LEFT, entry)
            left += wide + px(GAP_PX)
