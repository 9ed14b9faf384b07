"""Drawn stages: the steps in loudness of a chain, and the invitation to name a stage."""

from __future__ import annotations

import math

import numpy as np
from PySide6.QtCore import QPointF, QRect, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen

from meter import figures
from meter.builtin.stage.face_chain import Step
from meter.builtin.stage.face_pane import CENTRE, LEFT, LINE_PX, Pane
from meter.gui.kit import scale
from meter.gui.kit.label import line_height, shortened, text_width
from meter.gui.kit.theme import MARK_PX, Theme, font, mixed, px

UNEVEN = (0.2, 0.35, 0.9, 0.5, 0.25, 0.7, 1.0, 0.45, 0.3, 0.6, 0.2, 0.3)
EVEN = (0.3, 0.45, 0.62, 0.55, 0.38, 0.6, 0.65, 0.52, 0.42, 0.58, 0.32, 0.4)
"""Heights of the drawn bars of sound."""


class Steps(Pane):
    """The loudness from stage to stage: each step is one stage's change."""

    heading = "loudness from stage to stage, LU"
    short_heading = heading

    def __init__(self) -> None:
        super().__init__()
        self._steps: tuple[Step, ...] = ()

    def show(self, steps: tuple[Step, ...]) -> None:
        """Take the stages in order."""
        self._steps = steps

    def draw(self, painter: QPainter, theme: Theme, blue: QColor) -> None:
        """Draw the staircase, the name of each stage under it and its step above."""
        if self.rect.isEmpty() or not self._steps:
            return
        self.draw_heading(painter, theme)
        high = line_height(MARK_PX)
        box = self.inner.adjusted(0, high, 0, -2 * high - px(4))
        changes = np.nan_to_num([step.change_lu for step in self._steps])
        levels = np.concatenate([[0.0], np.cumsum(changes)])
        span = max(1.0, float(np.ptp(levels)))
        low = float(levels.min()) - 0.1 * span
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        wide = box.width() / (len(self._steps) + 1)

        def y(level: float) -> float:
            return box.bottom() - scale.straight_place(level, low, low + 1.2 * span) * (box.height() - 1)

        painter.setPen(QPen(theme.faint, 1, Qt.PenStyle.DashLine))
        painter.drawLine(QPointF(box.left(), y(0.0)), QPointF(box.right(), y(0.0)))
        for number, step in enumerate(self._steps):
            self._draw_step(painter, theme, blue, step, box, number, wide, (y(levels[number]), y(levels[number + 1])))
        painter.setPen(QPen(theme.soft, LINE_PX))
        painter.drawLine(QPointF(box.left(), y(0.0)), QPointF(box.left() + wide * 0.75, y(0.0)))
        painter.setPen(theme.soft)
        painter.drawText(QRectF(box.left(), box.bottom() + px(4), wide, high), LEFT, "before")

    @staticmethod
    def _draw_step(
        painter: QPainter, theme: Theme, blue: QColor, step: Step, box: QRect, number: int, wide: float,
        levels: tuple[float, float],
    ) -> None:  # fmt: skip
        high = line_height(MARK_PX)
        left = box.left() + wide * (number + 0.75)
        start, end = levels
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(mixed(theme.card, blue, 0.35))
        painter.drawRect(QRectF(left, min(start, end), wide * 0.5, abs(end - start)))
        painter.setPen(QPen(blue, LINE_PX))
        painter.drawLine(QPointF(left, end), QPointF(left + wide, end))
        painter.setFont(font(MARK_PX))
        painter.setPen(theme.ink)
        middle = left + wide * 0.25
        text = figures.figure(step.change_lu, plus=True)
        painter.drawText(QRectF(middle - wide / 2, min(start, end) - high - 2, wide, high), CENTRE, text)
        painter.setPen(theme.soft)
        name = shortened(step.name, MARK_PX, round(wide) - px(6))
        painter.drawText(QRectF(middle - wide / 2, box.bottom() + px(4), wide, high), CENTRE, name)
        held = f"squeeze {figures.with_unit(step.squeeze_db, 'dB')}"
        if math.isfinite(step.squeeze_db) and text_width(held, MARK_PX) <= wide:
            painter.drawText(QRectF(middle - wide / 2, box.bottom() + px(4) + high, wide, high), CENTRE, held)


class StagePicture(Pane):
    """What is to be named: sound into a stage and out of it, each tapped on its way."""

    def draw(self, painter: QPainter, theme: Theme, blue: QColor) -> None:
        """Draw waves, the stage as a box, and the two taps with their names."""
        if self.rect.isEmpty():
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        high = line_height(MARK_PX)
        box = QRectF(self.rect).adjusted(0, 0, 0, -high - px(4))
        middle, third = box.center().y(), box.width() / 3.0
        for number, (name, heights) in enumerate((("before", UNEVEN), ("after", EVEN))):
            left = box.left() + 2 * number * third
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(blue)
            step = third / len(heights)
            for place, height in enumerate(heights):
                bar = height * box.height()
                painter.drawRoundedRect(QRectF(left + step * (place + 0.25), middle - bar / 2, step * 0.5, bar), 2, 2)
            painter.setFont(font(MARK_PX))
            painter.setPen(theme.soft)
            painter.drawText(QRectF(left, box.bottom() + px(4), third, high), CENTRE, name)
        stage = QRectF(box.left() + third * 1.15, middle - box.height() * 0.3, third * 0.7, box.height() * 0.6)
        painter.setPen(QPen(theme.soft, LINE_PX))
        painter.setBrush(theme.trough)
        painter.drawRoundedRect(stage, 6, 6)
        painter.setPen(theme.ink)
        painter.drawText(stage, Qt.AlignmentFlag.AlignCenter, "stage")
