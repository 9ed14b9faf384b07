"""Loudness: the short-term figure large, the others in rows, five minutes as a ribbon."""

from __future__ import annotations

import math

import numpy as np
from PySide6.QtCore import QPointF, QRect, QSize, Qt
from PySide6.QtGui import QPainter, QPolygonF, QRegion

from meter.gui import scale, words
from meter.gui.face import Face
from meter.gui.label import RIGHT, Label, line_height, text_width
from meter.gui.theme import MARK_PX, TEXT_PX, VERDICT_PX, mixed
from meter.readings import Frame

WIDEST = f"{words.MINUS}88.8"
RIBBON_PX = 30
RIBBON_BOTTOM_LUFS = -40.0
RIBBON_TOP_LUFS = -5.0
HALF, TENTH = 0.5, 0.1
ROWS = (
    ("momentary", "momentary, 0.4 s", "LUFS", HALF),
    ("integrated", "integrated, since reset", "LUFS", TENTH),
    ("range", "range so far", "LU", TENTH),
    ("short_term_max", "highest short-term", "LUFS", TENTH),
    ("momentary_max", "highest momentary", "LUFS", TENTH),
    ("to_loudness", "peak over loudness", "LU", TENTH),
)
"""Reading, words, unit and the step its span supports; the most wanted first."""
KEYS = {"to_loudness": "peaks.to_loudness"}


class LoudnessFace(Face):
    """See the module's description."""

    meter_id = "loudness"
    title = "Loudness"
    least = QSize(160, 90)
    preferred = QSize(320, 310)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "figure": Label(64, bold=True, sample=WIDEST, least_px=28),
            "unit": Label(VERDICT_PX, role="soft"),
            "ago": Label(MARK_PX, role="faint"),
            "incomplete": Label(MARK_PX, role="broken_ink", align=RIGHT),
        }
        for name, *_ in ROWS:
            self.labels[f"{name}_words"] = Label(TEXT_PX, role="soft")
            self.labels[name] = Label(TEXT_PX, align=RIGHT)
        self._shown = {name: math.nan for name, *_ in ROWS} | {"short_term": math.nan}
        self._ribbon = QRect()
        self._history = np.empty(0)
        self._pieces: list[QPolygonF] = []

    @property
    def subtitle(self) -> str:
        return "short-term, 3 s"

    def arrange(self, inside: QRect) -> None:
        figure = self.labels["figure"]
        unit_width = text_width("LUFS", VERDICT_PX) + 8
        high = max(36, min(line_height(64, bold=True), round(inside.height() * 0.34)))
        figure.place(QRect(inside.left(), inside.top(), inside.width() - unit_width, high))
        figure.place(QRect(inside.left(), inside.top(), inside.width(), figure.line_height))
        top = inside.top() + figure.line_height + 4
        row_high = line_height(TEXT_PX) + 1
        foot = RIBBON_PX + line_height(MARK_PX) + 10
        with_ribbon = inside.bottom() - top >= foot + 3 * row_high
        bottom = inside.bottom() - foot if with_ribbon else inside.bottom()
        self._arrange_rows(QRect(inside.left(), top, inside.width(), bottom - top + 1), row_high)
        self._arrange_ribbon(inside if with_ribbon else QRect())

    def _arrange_rows(self, place: QRect, row_high: int) -> None:
        """As many rows as fit, in two columns where the card is wide."""
        columns = 2 if place.width() >= 520 else 1
        width = (place.width() - 32 * (columns - 1)) // columns
        lines = max(0, place.height() // row_high)
        if lines:
            row_high = min(place.height() // min(lines, math.ceil(len(ROWS) / columns)), row_high + 6)
        for number, (name, *_) in enumerate(ROWS):
            column, line = number % columns, number // columns
            box = QRect(place.left() + column * (width + 32), place.top() + line * row_high, width, row_high)
            value_width = text_width(f"{WIDEST} LUFS", TEXT_PX)
            fits = line < lines
            left = QRect(box.left(), box.top(), width - value_width - 6, row_high)
            right = QRect(box.right() + 1 - value_width, box.top(), value_width, row_high)
            self.labels[f"{name}_words"].place(left if fits and left.width() >= 40 else QRect())
            self.labels[name].place(right if fits else QRect())

    def _arrange_ribbon(self, inside: QRect) -> None:
        high = line_height(MARK_PX)
        if inside.isEmpty():
            self._ribbon = QRect()
            for name in ("ago", "incomplete"):
                self.labels[name].hide()
            return
        ago_width = text_width("last 5 min", MARK_PX)
        top = inside.bottom() + 1 - high
        self._ribbon = QRect(inside.left(), top - RIBBON_PX - 3, inside.width(), RIBBON_PX)
        self.labels["ago"].place(QRect(inside.left(), top, ago_width, high))
        self.labels["incomplete"].place(
            QRect(inside.left() + ago_width + 12, top, inside.width() - ago_width - 12, high)
        )
        self._pieces = self._make_pieces()

    def paint_still(self, painter: QPainter) -> None:
        if not self._ribbon.isEmpty():
            painter.setPen(self.theme.line)
            painter.drawLine(self._ribbon.left(), self._ribbon.bottom(), self._ribbon.right(), self._ribbon.bottom())

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        if self._ribbon.isEmpty() or not region.intersects(self._ribbon):
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(mixed(self.theme.card, self.measured, 0.55))
        for piece in self._pieces:
            painter.drawPolygon(piece)

    def _make_pieces(self) -> list[QPolygonF]:
        """One filled shape for each stretch that was measured; what was not stays empty."""
        if self._ribbon.isEmpty() or not len(self._history):
            return []
        ribbon = self._ribbon
        step = ribbon.width() / len(self._history)
        places = scale.straight_places(self._history, RIBBON_BOTTOM_LUFS, RIBBON_TOP_LUFS)
        pieces: list[QPolygonF] = []
        points: list[QPointF] = []
        floor = ribbon.bottom() + 1.0
        for number, place in enumerate(places):
            left = ribbon.left() + number * step
            if math.isnan(self._history[number]):
                pieces += _closed(points, floor)
                points = []
                continue
            top = floor - max(1.0, place * ribbon.height())
            points += [QPointF(left, top), QPointF(left + step, top)]
        return pieces + _closed(points, floor)

    def take_words(self, frame: Frame) -> None:
        self._say_figure(frame)
        for name, told, unit, step in ROWS:
            value = frame.number(KEYS.get(name, f"loudness.{name}"))
            self._shown[name] = words.settled(value, self._shown[name], step)
            self.say(f"{name}_words", told)
            self.say(name, words.with_unit(self._shown[name], unit), "faint" if math.isnan(value) else "ink")
        self.say("ago", "last 5 min")
        self.say("incomplete", "incomplete: sound was lost" if frame.number("loudness.incomplete") == 1.0 else "")
        history = frame.vector("loudness.history")
        if not np.array_equal(history, self._history, equal_nan=True):
            self._history = history.copy()
            self._pieces = self._make_pieces()
            self.update(self._ribbon)

    def _say_figure(self, frame: Frame) -> None:
        value = frame.number("loudness.short_term")
        self._shown["short_term"] = words.settled(value, self._shown["short_term"], TENTH)
        waiting = math.isnan(value)
        self.say("figure", words.figure(self._shown["short_term"]), "faint" if waiting else "ink")
        self.say("unit", words.LISTENING if waiting else "LUFS")
        self.beside("figure", "unit")

    def value_text(self) -> str:
        rows = [f"{told} {self.labels[name].text}" for name, told, *_ in ROWS[:3]]
        return f"short-term {self.labels['figure'].text} {self.labels['unit'].text}, {', '.join(rows)}"


def _closed(points: list[QPointF], floor: float) -> list[QPolygonF]:
    if not points:
        return []
    return [QPolygonF([QPointF(points[0].x(), floor), *points, QPointF(points[-1].x(), floor)])]
