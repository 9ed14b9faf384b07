"""Drawn stages: the steps in loudness of a chain, and the invitation to name a stage."""

from __future__ import annotations

import math

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
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
BEFORE = "before"


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
        levels = np.concatenate([[0.0], np.cumsum(np.nan_to_num([step.change_lu for step in self._steps]))])
        span = max(1.0, float(np.ptp(levels)))
        low = float(levels.min()) - 0.1 * span
        ys = [
            box.bottom() - scale.straight_place(level, low, low + 1.2 * span) * (box.height() - 1) for level in levels
        ]
        wide = box.width() / (len(self._steps) + 1)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(theme.faint, 1, Qt.PenStyle.DashLine))
        painter.drawLine(QPointF(box.left(), ys[0]), QPointF(box.right(), ys[0]))
        for number, step in enumerate(self._steps):
            place = QRectF(box.left() + wide * (number + 0.75), min(ys[number : number + 2]), wide * 0.5, 0.0)
            place.setHeight(abs(ys[number + 1] - ys[number]))
            self._draw_step(painter, theme, blue, step, place, ys[number + 1])
        painter.setPen(QPen(theme.soft, LINE_PX))
        painter.drawLine(QPointF(box.left(), ys[0]), QPointF(box.left() + wide * 0.75, ys[0]))
        self._draw_names(painter, theme, QRectF(box.left(), box.bottom() + px(4), wide, high))

    @staticmethod
    def _draw_step(painter: QPainter, theme: Theme, blue: QColor, step: Step, place: QRectF, level_y: float) -> None:
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(mixed(theme.card, blue, 0.35))
        painter.drawRect(place)
        painter.setPen(QPen(blue, LINE_PX))
        painter.drawLine(QPointF(place.left(), level_y), QPointF(place.left() + 2.0 * place.width(), level_y))
        painter.setPen(theme.ink)
        high, room = line_height(MARK_PX), 2.0 * place.width()
        above = QRectF(place.center().x() - room / 2, place.top() - high - 2, room, high)
        painter.drawText(above, CENTRE, figures.figure(step.change_lu, plus=True))

    def _draw_names(self, painter: QPainter, theme: Theme, first: QRectF) -> None:
        """Names with squeeze below; names that would be cut take turns on two lines instead."""
        wide, high = first.width(), first.height()
        tight = any(text_width(step.name, MARK_PX) > wide - px(6) for step in self._steps)
        painter.setPen(theme.soft)
        painter.drawText(first, LEFT, BEFORE if text_width(BEFORE, MARK_PX) < wide else "")
        for number, step in enumerate(self._steps):
            middle = first.left() + wide * (number + 1)
            room = wide * (2 if tight else 1) - px(6)
            line = (number + 1) % 2 if tight else 0
            at = QRectF(middle - room / 2, first.top() + line * high, room, high)
            at.moveLeft(min(max(at.left(), float(self.rect.left())), self.rect.right() + 1.0 - room))
            painter.drawText(at, CENTRE, shortened(step.name, MARK_PX, round(room)))
            held = f"squeeze {figures.with_unit(step.squeeze_db, 'dB')}"
            if not tight and math.isfinite(step.squeeze_db) and text_width(held, MARK_PX) <= wide:
                painter.drawText(at.translated(0.0, high), CENTRE, held)


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
