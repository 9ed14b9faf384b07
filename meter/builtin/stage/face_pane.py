"""What the pictures of a stage's card have in common: a place, a heading, and a scale of decibels."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Sequence

from PySide6.QtCore import QRect, Qt
from PySide6.QtGui import QColor, QPainter

from meter import figures
from meter.gui.kit import scale
from meter.gui.kit.label import line_height, shortened, text_width
from meter.gui.kit.theme import MARK_PX, Theme, font, px

RIGHT, CENTRE, LEFT = Qt.AlignmentFlag.AlignRight, Qt.AlignmentFlag.AlignHCenter, Qt.AlignmentFlag.AlignLeft
REACHES = (1.5, 3.0, 6.0, 12.0, 24.0, 48.0)
"""Half spans of a scale round nought, in dB: the first that holds what is drawn."""
GRID_DB = (1.0, 3.0, 6.0, 12.0, 24.0)
LINE_PX = 2.0


class Pane(ABC):
    """A picture in a rectangle with its heading; empty rectangle: not drawn."""

    heading = ""
    short_heading = ""

    def __init__(self) -> None:
        self.rect = QRect()

    @property
    def inner(self) -> QRect:
        """The picture below the heading."""
        return self.rect.adjusted(0, line_height(MARK_PX) + px(4), 0, 0)

    @property
    def plot(self) -> QRect:
        """The part inside of the numbers of both axes."""
        return self.inner.adjusted(text_width("−36", MARK_PX) + px(8), 0, 0, -line_height(MARK_PX) - 2)

    def draw_levels(self, painter: QPainter, theme: Theme, up: tuple[float, float], *, plus: bool) -> None:
        """Lines across at round decibels, with their numbers on the left; nought a little brighter."""
        box, high, left = self.plot, line_height(MARK_PX), self.rect.left()
        painter.setFont(font(MARK_PX))
        for value in grid(*up, most=max(3, box.height() // px(34))):
            at = box.bottom() - round(scale.straight_place(value, *up) * (box.height() - 1))
            painter.setPen(theme.faint if value == 0.0 else theme.line)
            painter.drawLine(box.left(), at, box.right(), at)
            painter.setPen(theme.faint)
            top = min(max(at - high // 2, box.top() - 2), box.bottom() + 1 - high)
            text = figures.figure(value, 0, plus=plus)
            painter.drawText(QRect(left, top, box.left() - left - px(6), high), RIGHT, text)

    @abstractmethod
    def draw(self, painter: QPainter, theme: Theme, blue: QColor) -> None:
        """Draw it in ``blue``."""

    def draw_heading(self, painter: QPainter, theme: Theme) -> None:
        """Write what is drawn."""
        painter.setFont(font(MARK_PX))
        painter.setPen(theme.soft)
        long = text_width(self.heading, MARK_PX) <= self.rect.width()
        text = self.heading if long else shortened(self.short_heading, MARK_PX, self.rect.width())
        painter.drawText(self.rect, LEFT | Qt.AlignmentFlag.AlignTop, text)


def reach_of(values: Sequence[float], before: float = 0.0) -> float:
    """The half span that holds all values; ``before`` stays until they leave it or need less than half of it."""
    most = max((abs(value) for value in values if math.isfinite(value)), default=0.0)
    if most <= before and (most > before / 2.5 or before == REACHES[0]):
        return before
    return next((reach for reach in REACHES if most <= reach), REACHES[-1])


def grid(low: float, high: float, most: int) -> list[float]:
    """Round values from ``low`` to ``high``, at most so many."""
    for step in GRID_DB:
        values = [step * number for number in range(math.ceil(low / step), math.floor(high / step) + 1)]
        if len(values) <= most:
            return values
    return [0.0] if low <= 0.0 <= high else []
