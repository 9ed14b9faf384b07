"""The two levels of a stage's card: a bar for each side that moves with the sound, and true peaks since R."""

from __future__ import annotations

import math
from collections.abc import Sequence

from PySide6.QtCore import QRect, Qt
from PySide6.QtGui import QColor, QPainter

from meter import figures
from meter.builtin.stage.face_pane import LEFT, RIGHT, Pane
from meter.gui.kit import scale
from meter.gui.kit.label import line_height, text_width
from meter.gui.kit.theme import MARK_PX, Theme, font, px

BOTTOM_DBFS, TOP_DBFS = -48.0, 0.0
SIDES = ("before", "after")
LONGEST = "−88 dBFS, peak −88.8 dBTP"
BAR_PX, TICK_PX = 6, 2
LEAST_BAR_PX = 60


class Levels(Pane):
    """Rows for before and after; a tick holds the highest level since R."""

    heading = "level in VU ballistics, max and true peak since R"
    short_heading = "level, max and peak since R"

    def __init__(self) -> None:
        super().__init__()
        self._places: tuple[tuple[float, float], ...] = ()
        self._words: tuple[str, ...] = ("", "")

    @property
    def text(self) -> str:
        """Both levels in words; empty while nothing is measured."""
        told = [f"{side} {words}" for side, words in zip(SIDES, self._words, strict=True) if words]
        return f"Level: {'; '.join(told)}." if told else ""

    @staticmethod
    def high() -> int:
        """Height that it needs."""
        return 3 * line_height(MARK_PX) + px(10)

    def fits(self, width: int) -> bool:
        """Whether a bar has room beside its words."""
        return width >= self._names() + text_width(LONGEST, MARK_PX) + px(LEAST_BAR_PX)

    def show(self, now: Sequence[float], highest: Sequence[float]) -> list[QRect]:
        """Take levels in dBFS of both sides; returns what is to be repainted."""
        places = tuple((_place(level), _place(most)) for level, most in zip(now, highest, strict=True))
        if self.rect.isEmpty() or not places:
            self._places = places
            return []
        moved = []
        for number, (old, new) in enumerate(zip(self._places or ((-1.0, -1.0),) * 2, places, strict=True)):
            wide = self._bar(number).width()
            if any(round(a * wide) != round(b * wide) for a, b in zip(old, new, strict=True)):
                moved.append(self._bar(number).adjusted(-1, -TICK_PX, 1, TICK_PX))
        self._places = places
        return moved

    def tell(self, now: Sequence[float], peaks: Sequence[float]) -> bool:
        """Take what is written: levels to a decibel, true peaks in dBTP; True when it is new."""
        words = tuple(_words(level, peak) for level, peak in zip(now, peaks, strict=True))
        changed, self._words = words != self._words, words
        return changed

    def draw(self, painter: QPainter, theme: Theme, blue: QColor) -> None:
        """Draw names, bars, ticks and figures."""
        if self.rect.isEmpty() or not self._places:
            return
        self.draw_heading(painter, theme)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        for number, (now, highest) in enumerate(self._places):
            row, bar = self._row(number), self._bar(number)
            painter.setPen(theme.soft)
            painter.drawText(row, LEFT | Qt.AlignmentFlag.AlignVCenter, SIDES[number])
            painter.drawText(row, RIGHT | Qt.AlignmentFlag.AlignVCenter, self._words[number])
            painter.fillRect(bar, theme.trough)
            painter.fillRect(QRect(bar.left(), bar.top(), round(now * bar.width()), bar.height()), blue)
            if highest > 0.0:
                at = bar.left() + round(highest * bar.width()) - TICK_PX
                painter.fillRect(QRect(at, bar.top() - TICK_PX, TICK_PX, bar.height() + 2 * TICK_PX), theme.held)
        painter.setFont(font(MARK_PX))

    def _row(self, number: int) -> QRect:
        high = line_height(MARK_PX) + px(3)
        return QRect(self.rect.left(), self.inner.top() + number * high, self.rect.width(), high)

    def _bar(self, number: int) -> QRect:
        row = self._row(number)
        high = px(BAR_PX)
        left, right = self._names(), text_width(LONGEST, MARK_PX) + px(8)
        return QRect(row.left() + left, row.center().y() - high // 2, max(0, row.width() - left - right), high)

    @staticmethod
    def _names() -> int:
        return max(text_width(side, MARK_PX) for side in SIDES) + px(10)


def _place(level_dbfs: float) -> float:
    return 0.0 if math.isnan(level_dbfs) else scale.straight_place(level_dbfs, BOTTOM_DBFS, TOP_DBFS)


def _words(level_dbfs: float, peak_dbtp: float) -> str:
    if math.isnan(level_dbfs):
        return figures.NOT_YET
    return f"{figures.with_unit(level_dbfs, 'dBFS', 0)}, peak {figures.with_unit(peak_dbtp, 'dBTP')}"
