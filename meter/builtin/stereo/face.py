"""Width: the x/y picture of left and right, correlation whole and of the lows, balance in words."""

from __future__ import annotations

import math

import numpy as np
from PySide6.QtCore import QPoint, QRect, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPolygonF, QRegion

from meter.gui import scale, words
from meter.gui.face import Face
from meter.gui.label import CENTRE, Label, line_height, text_width
from meter.gui.points import polygon_of
from meter.gui.theme import FIGURE_PX, SUBTITLE_PX, TEXT_PX
from meter.readings import Frame

STALE_SECONDS = 2.0
STEP = 0.1
"""A correlation over 0.3 s, or of the lows over 3 s, supports one decimal."""
WHOLE, LOWS = "correlation", "of the lows"
TRACK_PX = 5
POINT_PX = 2


class StereoFace(Face):
    """See the module's description."""

    meter_id = "stereo"
    title = "Width"
    least = QSize(160, 90)
    preferred = QSize(330, 280)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "whole_words": Label(TEXT_PX, role="soft"),
            "whole": Label(FIGURE_PX, bold=True, sample="+0.8", least_px=18),
            "lows_words": Label(TEXT_PX, role="soft"),
            "lows": Label(FIGURE_PX, bold=True, sample="+0.8", least_px=18),
            "balance": Label(TEXT_PX, align=CENTRE),
            "left": Label(SUBTITLE_PX, role="faint", align=CENTRE),
            "right": Label(SUBTITLE_PX, role="faint", align=CENTRE),
        }
        self._picture = QRect()
        self._tracks: dict[str, QRect] = {}
        self._at: dict[str, float] = {"whole": math.nan, "lows": math.nan}
        self._shown = {"whole": math.nan, "lows": math.nan}
        self._dots: QPolygonF | None = None
        self._values = np.empty(0)
        self._stale = False

    @property
    def subtitle(self) -> str:
        return "last 0.3 s, lows 3 s"

    def arrange(self, inside: QRect) -> None:
        balance = self.labels["balance"]
        figure_width = max(text_width(WHOLE, TEXT_PX), text_width("+0.8", FIGURE_PX, bold=True))
        foot = balance.line_height + 8
        side = min(inside.height() - foot, inside.width() - figure_width - 22)
        beside = side >= 84
        if beside:
            slack = (inside.height() - foot - side) // 2
            self._picture = QRect(inside.left(), inside.top() + slack, side, side)
            column = QRect(inside.left() + side + 22, self._picture.top(), inside.width() - side - 22, side)
        else:
            side = min(inside.width(), inside.height() - foot - 100)
            shown = side >= 70
            self._picture = QRect(inside.center().x() - side // 2, inside.top(), side, side) if shown else QRect()
            column = inside.adjusted(0, side + 8 if shown else 0, 0, -foot)
        with_foot = inside.height() >= foot + 40
        balance.place(QRect(inside.left(), inside.bottom() - foot + 9, inside.width(), foot - 8 if with_foot else 0))
        self._arrange_column(column if with_foot else inside)
        self._arrange_corners()
        self._dots = None

    def _arrange_column(self, column: QRect) -> None:
        """Words, figure and track of both correlations; small figures share a line with their words."""
        self._tracks = {}
        stacked = column.height() >= 2 * (line_height(TEXT_PX) + line_height(22, bold=True) + TRACK_PX + 8)
        top = column.top()
        high = column.height() // 2 if stacked else max(line_height(TEXT_PX) + 12, column.height() // 2)
        for name in ("whole", "lows"):
            told, figure = self.labels[f"{name}_words"], self.labels[name]
            if top + min(high, line_height(TEXT_PX)) > column.bottom() + 1:
                told.hide()
                figure.hide()
                continue
            told.place(QRect(column.left(), top, column.width(), told.line_height))
            if stacked:
                under = top + told.line_height
                figure.place(QRect(column.left(), under, column.width(), high - told.line_height - TRACK_PX - 10))
                figure.place(QRect(column.left(), under, column.width(), figure.line_height))
                bottom = figure.rect.bottom() + 3
            else:
                width = text_width("+0.8", 18, bold=True) + 2
                figure.place(QRect(column.right() + 1 - width, top - 1, width, told.line_height + 4))
                bottom = top + told.line_height + 3
            if bottom + TRACK_PX <= top + high:
                self._tracks[name] = QRect(column.left(), bottom, min(column.width(), 320), TRACK_PX)
            top += high

    def _arrange_corners(self) -> None:
        high = line_height(SUBTITLE_PX)
        for name, left in (("left", self._picture.left()), ("right", self._picture.right() - 15)):
            box = QRect(left, self._picture.top(), 16, high) if not self._picture.isEmpty() else QRect()
            self.labels[name].place(box)
        self.labels["left"].say("L")
        self.labels["right"].say("R")

    def paint_still(self, painter: QPainter) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        box, line = self._picture, self.theme.line
        if not box.isEmpty():
            middle, reach = QRectF(box).center(), box.width() / 2.0
            painter.setPen(QPen(line, 1))
            painter.drawLine(middle.toPoint() - QPoint(0, round(reach)), middle.toPoint() + QPoint(0, round(reach)))
            painter.drawLine(middle.toPoint() - QPoint(round(reach), 0), middle.toPoint() + QPoint(round(reach), 0))
            painter.setPen(QPen(line, 1, Qt.PenStyle.DotLine))
            far = round(reach * 0.78)
            painter.drawLine(middle.toPoint() - QPoint(far, far), middle.toPoint() + QPoint(far, far))
            painter.drawLine(middle.toPoint() - QPoint(-far, far), middle.toPoint() + QPoint(-far, far))
        painter.setPen(Qt.PenStyle.NoPen)
        for track in self._tracks.values():
            painter.setBrush(self.theme.trough)
            painter.drawRoundedRect(track, TRACK_PX / 2, TRACK_PX / 2)
            painter.fillRect(QRect(track.center().x(), track.top() - 2, 1, TRACK_PX + 4), self.theme.faint)

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        if self._dots is not None and region.intersects(self._picture):
            painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
            colour = QColor(self.measured)
            colour.setAlpha(60 if self._stale else 150)
            painter.setPen(QPen(colour, POINT_PX))
            painter.drawPoints(self._dots)
        for name, track in self._tracks.items():
            if not math.isnan(self._at[name]) and region.intersects(self._knob(track, self._at[name])):
                painter.fillRect(self._knob(track, self._at[name]), self.measured)

    def _knob(self, track: QRect, place: float) -> QRect:
        return QRect(track.left() + round(place * (track.width() - 6)), track.top() - 3, 6, TRACK_PX + 6)

    def take(self, frame: Frame) -> None:
        self._take_picture(frame.vector("stereo.picture"))
        for name, key in (("whole", "correlation_now"), ("lows", "low_correlation_now")):
            place = scale.correlation_place(frame.number(f"stereo.{key}"))
            track, before = self._tracks.get(name), self._at[name]
            self._at[name] = place
            if track is None or (math.isnan(place) and math.isnan(before)):
                continue
            boxes = [QRect() if math.isnan(each) else self._knob(track, each) for each in (before, place)]
            if boxes[0] != boxes[1]:
                self.update(boxes[0])
                self.update(boxes[1])

    def _take_picture(self, values: np.ndarray) -> None:
        """Points across (R - L) / sqrt 2 and up (L + R) / sqrt 2, drawn nearer the rim than they are."""
        if self._picture.isEmpty() or not len(values):
            return
        if self._dots is not None and np.array_equal(values, self._values, equal_nan=True):
            return
        self._values = values.copy()
        half = len(values) // 2
        across, up = values[:half], values[half : 2 * half]
        known = np.isfinite(across) & np.isfinite(up)
        middle, reach = QRectF(self._picture).center(), self._picture.width() / 2.0 - POINT_PX
        across, up = across[known], up[known]
        radius = np.maximum(np.hypot(across, up), 1e-9)
        stretch = reach * scale.picture_reach(radius) / radius
        self._dots = polygon_of(middle.x() + across * stretch, middle.y() - up * stretch)
        self.update(self._picture)

    def take_words(self, frame: Frame) -> None:
        whole, lows = frame.number("stereo.correlation_now"), frame.number("stereo.low_correlation_now")
        age = frame.number("stereo.age")
        stale = age >= STALE_SECONDS
        if stale != self._stale:
            self._stale = stale
            self.update(self._picture)
        self.say("whole_words", WHOLE)
        self.say("lows_words", LOWS)
        for name, value in (("whole", whole), ("lows", lows)):
            self._shown[name] = words.settled(value, self._shown[name], STEP)
            role = "faint" if stale or math.isnan(value) else "ink"
            self.say(name, words.figure(self._shown[name], 1, plus=True), role)
        self.say("balance", *self._balance(frame, stale, age))

    def _balance(self, frame: Frame, stale: bool, age: float) -> tuple[str, str]:
        told = words.side(frame.number("stereo.balance_now"))
        if told == words.NOT_YET:
            return ("needs two channels" if frame.status.channels == 1 else words.LISTENING), "soft"
        return (f"{told}, {words.age(age)}", "faint") if stale else (told, "ink")

    def value_text(self) -> str:
        said = {name: label.text for name, label in self.labels.items()}
        return f"correlation {said['whole']}, lows {said['lows']}, {said['balance']}"
