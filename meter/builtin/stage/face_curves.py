"""The two curves of a stage's card: output against input, and the response."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRect, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPolygonF

from meter import figures
from meter.builtin.stage.face_pane import CENTRE, LEFT, LINE_PX, RIGHT, Pane, grid, reach_of
from meter.gui.kit import scale
from meter.gui.kit.label import line_height, text_width
from meter.gui.kit.points import polygon_of
from meter.gui.kit.theme import MARK_PX, Theme, font, mixed, px

LOW_HZ, HIGH_HZ = 20.0, 20_000.0
HERTZ = (50, 100, 200, 500, 1000, 2000, 5000, 10_000)
HERTZ_NARROW = (100, 1000, 10_000)
MANY_FROM_PX = 330
"""Width from which the numbers of ``HERTZ`` have room."""
NEIGHBOURS = 2.0 ** (1.6 / 12.0)
"""Twelfths of an octave further apart than this have an unsure one between them: the line breaks."""
LEAST_REACH_DB = 3.0
FREE = "dashed: without squeeze"


class SqueezeCurve(Pane):
    """Output against input as heard; the wedge up to the line of a stage that lets go is the squeeze."""

    heading = "output against input, dBFS (dashed: without squeeze)"
    short_heading = "output against input, dBFS"

    def __init__(self) -> None:
        super().__init__()
        self._curve: tuple[tuple[float, float], ...] = ()
        self._make_up = math.nan

    def show(self, curve: tuple[tuple[float, float], ...], make_up_db: float) -> None:
        """Take input and output levels in dB, and the make-up."""
        self._curve = tuple(point for point in curve if all(math.isfinite(value) for value in point))
        self._make_up = make_up_db

    def draw(self, painter: QPainter, theme: Theme, blue: QColor) -> None:
        """Draw axes, lines and wedge; only the heading and "not yet" where there is no curve."""
        if self.rect.isEmpty():
            return
        self.draw_heading(painter, theme)
        box = self.plot
        painter.fillRect(box, mixed(theme.card, theme.trough, 0.5))
        if len(self._curve) < 2:
            painter.setPen(theme.soft)
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, figures.NOT_YET)
            return
        x, y = np.array(self._curve).T
        make_up = self._make_up if math.isfinite(self._make_up) else 0.0
        low_x, high_x = _outward(float(x.min()), float(x.max()))
        low_y, high_y = _outward(min(float(y.min()), low_x), max(float(y.max()), float(x.max() + make_up)))
        self.draw_levels(painter, theme, (low_y, high_y), plus=False)
        self._draw_inputs(painter, theme, box, (low_x, high_x))

        def places(ins: NDArray[np.float64], outs: NDArray[np.float64]) -> QPolygonF:
            across = box.left() + scale.straight_places(ins, low_x, high_x) * (box.width() - 1)
            return polygon_of(across, box.bottom() - scale.straight_places(outs, low_y, high_y) * (box.height() - 1))

        free = x + make_up
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(mixed(theme.card, blue, 0.35))
        painter.drawPolygon(places(np.concatenate([x, x[::-1]]), np.concatenate([free, np.minimum(y, free)[::-1]])))
        painter.setPen(QPen(theme.soft, 1.2, Qt.PenStyle.DashLine))
        painter.drawPolyline(places(x, free))
        if text_width(self.heading, MARK_PX) > self.rect.width():
            painter.drawText(box.adjusted(px(8), px(6), 0, 0), LEFT, FREE)
        painter.setPen(QPen(blue, LINE_PX * px(10) / 10.0))
        painter.drawPolyline(places(x, y))

    @staticmethod
    def _draw_inputs(painter: QPainter, theme: Theme, box: QRect, across: tuple[float, float]) -> None:
        painter.setFont(font(MARK_PX))
        high, wide = line_height(MARK_PX), px(48)
        for value in grid(*across, most=max(2, box.width() // px(64))):
            at = box.left() + round(scale.straight_place(value, *across) * (box.width() - 1))
            painter.setPen(theme.line)
            painter.drawLine(at, box.top(), at, box.bottom())
            painter.setPen(theme.faint)
            left = min(max(at - wide // 2, box.left()), box.right() + 1 - wide)
            align = LEFT if left == box.left() else RIGHT if left == box.right() + 1 - wide else CENTRE
            painter.drawText(QRect(left, box.bottom() + 1, wide, high), align, figures.figure(value, 0))


class Response(Pane):
    """The response that the stage really has, where the sound says so: broken where it does not."""

    heading = "response in dB, where coherence is over 0.9"
    short_heading = "response, dB"

    def __init__(self) -> None:
        super().__init__()
        self._hz = self._db = np.empty(0)
        self._middle = self._reach = 0.0

    def show(self, rows: tuple[tuple[float, float, float], ...]) -> None:
        """Take frequency, response and coherence."""
        known = [(hz, db) for hz, db, _ in rows if hz > 0.0 and math.isfinite(db)]
        self._hz, self._db = np.array(known).T if known else (np.empty(0), np.empty(0))
        if not known:
            return
        middle = (self._hz >= 200.0) & (self._hz <= 2000.0)
        wanted = float(np.median(self._db[middle] if middle.any() else self._db))
        self._middle = figures.settled(wanted, self._middle, 1.0)
        self._reach = max(LEAST_REACH_DB, reach_of((self._db - self._middle).tolist(), self._reach))

    def draw(self, painter: QPainter, theme: Theme, blue: QColor) -> None:
        """Draw axes and the line; "not yet" where nothing is sure."""
        if self.rect.isEmpty():
            return
        self.draw_heading(painter, theme)
        box = self.plot
        painter.fillRect(box, mixed(theme.card, theme.trough, 0.5))
        if not len(self._hz):
            painter.setPen(theme.soft)
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, figures.NOT_YET)
            return
        bottom, top = self._middle - self._reach, self._middle + self._reach
        self.draw_levels(painter, theme, (bottom, top), plus=True)
        self._draw_hertz(painter, theme, box)
        places = np.log(self._hz / LOW_HZ) / math.log(HIGH_HZ / LOW_HZ)
        x = box.left() + np.clip(places, 0.0, 1.0) * (box.width() - 1)
        y = box.bottom() - scale.straight_places(self._db, bottom, top) * (box.height() - 1)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(blue, LINE_PX * px(10) / 10.0))
        breaks = np.flatnonzero(self._hz[1:] > self._hz[:-1] * NEIGHBOURS) + 1
        for across, down in zip(np.split(x, breaks), np.split(y, breaks), strict=True):
            if len(across) == 1:
                painter.drawPoint(QPointF(float(across[0]), float(down[0])))
            painter.drawPolyline(polygon_of(across, down))

    @staticmethod
    def _draw_hertz(painter: QPainter, theme: Theme, box: QRect) -> None:
        painter.setFont(font(MARK_PX))
        high, wide = line_height(MARK_PX), px(48)
        for hertz in HERTZ if box.width() >= px(MANY_FROM_PX) else HERTZ_NARROW:
            at = box.left() + round(scale.log_place(hertz, LOW_HZ, HIGH_HZ) * (box.width() - 1))
            painter.setPen(theme.line)
            painter.drawLine(at, box.top(), at, box.bottom())
            painter.setPen(theme.faint)
            painter.drawText(QRect(at - wide // 2, box.bottom() + 1, wide, high), CENTRE, scale.hertz_label(hertz))


def _outward(low: float, high: float) -> tuple[float, float]:
    """Both ends at whole 3 dB, at least 6 dB apart."""
    bottom, top = 3.0 * math.floor(low / 3.0), 3.0 * math.ceil(high / 3.0)
    return bottom, max(top, bottom + 6.0)
