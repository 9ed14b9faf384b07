"""Four stones of one outline, one per sub-band: the fill is what survives in mono, the shift is the balance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QPointF, QRect, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPen

from meter.gui.kit.theme import HAIRLINE, Theme, mixed
from meter.readings import Frame

STONE_KEYS = ("band_level", "band_loss", "band_balance", "band_votes")
BANDS = 4
FULL_LEAN_DB = 12.0
OUTLINE_SHARE, SHIFT_SHARE = 0.8, 0.1
SPOKEN_PX = 2
"""Width of the outline of the band that the sentence names."""


@dataclass(frozen=True)
class Stone:
    """One sub-band as drawn: outline and fill in widget pixels; ``votes`` is False for one too weak to judge."""

    outline: QRectF
    body: QRectF
    votes: bool
    spoken_of: bool

    @property
    def place(self) -> QRect:
        """The area to repaint when it changes."""
        return self.outline.united(self.body).adjusted(-3, -3, 3, 3).toAlignedRect()

    def draw(self, painter: QPainter, theme: Theme, measured: QColor) -> None:
        """Draw outline and fill; a band too weak to judge is filled faintly, because nothing of it is lost."""
        if self.body.width() >= 1.0:
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(mixed(measured, theme.card, 0.15) if self.votes else theme.trough)
            painter.drawPath(pebble(self.body))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        spoken = QPen(theme.ink, SPOKEN_PX)
        painter.setPen(spoken if self.spoken_of else QPen(theme.faint if self.votes else theme.line, HAIRLINE))
        painter.drawPath(pebble(self.outline))


def row_of(picture: QRect, number: int) -> QRectF:
    """The row of sub-band ``number``; the lowest band is at the bottom."""
    high = (picture.height() - 4.0) / BANDS
    return QRectF(picture.left(), picture.bottom() - 2.0 - high * (number + 1), picture.width(), high - 3.0)


def stones_of(frame: Frame, meter_id: str, picture: QRect, spoken_of: int) -> list[Stone]:
    """The stones of a snapshot; none while there is nothing to show or no room."""
    level, loss, balance, votes = (frame.vector(f"{meter_id}.{key}") for key in STONE_KEYS)
    if picture.isEmpty() or len(level) != BANDS or np.isnan(level).all():
        return []
    stones = []
    for number in range(BANDS):
        if math.isnan(level[number]):
            continue
        outline, body = _shapes(row_of(picture, number), float(loss[number]), float(balance[number]))
        stones.append(Stone(outline, body, bool(votes[number] == 1.0), number == spoken_of))
    return stones


def _shapes(row: QRectF, loss_db: float, balance_db: float) -> tuple[QRectF, QRectF]:
    """Outline and fill, rounded to half pixels so that a steady reading does not flicker."""
    width = row.width() * OUTLINE_SHARE
    lean = 0.0 if math.isnan(balance_db) else max(-1.0, min(1.0, balance_db / FULL_LEAN_DB))
    middle = row.center().x() - lean * row.width() * SHIFT_SHARE
    kept = 1.0 if math.isnan(loss_db) else float(10.0 ** (min(loss_db, 0.0) / 20.0))
    return _centred(middle, width, row), _centred(middle, width * kept, row)


def _centred(middle: float, width: float, row: QRectF) -> QRectF:
    left = round((middle - width / 2.0) * 2.0) / 2.0
    return QRectF(left, row.top(), round(width * 2.0) / 2.0, row.height())


def pebble(box: QRectF) -> QPainterPath:
    """Outline of a rounded stone that fills a box of any proportion, flatter below than above."""
    path = QPainterPath()
    left, right, top, bottom = box.left(), box.right(), box.top(), box.bottom()
    waist = top + box.height() * 0.56
    shoulder = min(box.width() / 2.0, box.height() * 0.62)
    up, down = (waist - top) * 0.86, (bottom - waist) * 0.94
    path.moveTo(QPointF(left, waist))
    path.cubicTo(QPointF(left, waist - up), QPointF(left + shoulder * 0.4, top), QPointF(left + shoulder, top))
    path.lineTo(QPointF(right - shoulder, top))
    path.cubicTo(QPointF(right - shoulder * 0.4, top), QPointF(right, waist - up), QPointF(right, waist))
    path.cubicTo(
        QPointF(right, waist + down), QPointF(right - shoulder * 0.5, bottom), QPointF(right - shoulder, bottom)
    )
    path.lineTo(QPointF(left + shoulder, bottom))
    path.cubicTo(QPointF(left + shoulder * 0.5, bottom), QPointF(left, waist + down), QPointF(left, waist))
    return path
