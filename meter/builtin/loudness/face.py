"""Loudness: short-term as the large figure, the other readings in rows, five minutes of history as a strip."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QPointF, QRect, QSize, Qt
from PySide6.QtGui import QPainter, QPolygonF, QRegion

from meter import figures as words
from meter.gui.kit import scale
from meter.gui.kit.label import RIGHT, Label, figure_room, line_height, text_width
from meter.gui.kit.theme import MARK_PX, TEXT_PX, VERDICT_PX, mixed
from meter.plugin.face import Choice, Face
from meter.readings import Frame

WIDEST = f"{words.MINUS}88.8"
MOST_PX = 120
RIBBON_PX = 26
RIBBON_MOST_PX = 110
RIBBON_BOTTOM_LUFS = -40.0
RIBBON_TOP_LUFS = -5.0
TENTH = 0.1
RANGE_SETTLES_SECONDS = 60.0
"""EBU Tech 3341 (2016): a live meter signals that the range is not stable in the first minute."""
RANGE_NOT_SETTLED = "range, still settling"


@dataclass(frozen=True)
class Row:
    """One reading below the figure: long and short label, unit, and the step that its span supports."""

    name: str
    words: str
    short: str
    unit: str
    step: float = TENTH
    key: str = ""


ROWS = (
    Row("momentary", "momentary, 0.4 s", "momentary", "LUFS", 0.5),
    Row("integrated", "integrated, since R", "integrated", "LUFS"),
    Row("range", "range", "range", "LU"),
    Row("short_term_max", "max short-term", "max 3 s", "LUFS"),
    Row("momentary_max", "max momentary", "max 0.4 s", "LUFS"),
    Row("to_loudness", "peak to loudness", "PLR", "LU", key="peaks.to_loudness"),
)
"""The most wanted first."""


class LoudnessFace(Face):
    """See the module's description."""

    least = QSize(160, 90)
    preferred = QSize(320, 310)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "figure": Label(MOST_PX, bold=True, sample=WIDEST, least_px=28),
            "unit": Label(VERDICT_PX, role="soft"),
            "ago": Label(MARK_PX, role="faint"),
            "incomplete": Label(MARK_PX, role="broken_ink", align=RIGHT),
        }
        for row in ROWS:
            self.labels[f"{row.name}_words"] = Label(TEXT_PX, role="soft")
            self.labels[row.name] = Label(TEXT_PX, align=RIGHT)
        self._shown = {row.name: math.nan for row in ROWS} | {"short_term": math.nan}
        self._brief = False
        self._ribbon_high = RIBBON_PX
        self._ribbon = QRect()
        self._history = np.empty(0)
        self._pieces: list[QPolygonF] = []

    @property
    def subtitle(self) -> str:
        return "short-term, 3 s"

    def arrange(self, inside: QRect) -> None:
        figure = self.labels["figure"]
        unit_width = text_width("LUFS", VERDICT_PX) + 14
        high = figure_room(inside.height(), 76)
        figure.place(QRect(inside.left(), inside.top(), inside.width() - unit_width, high))
        figure.place(QRect(inside.left(), inside.top(), inside.width(), figure.line_height))
        top = inside.top() + figure.line_height + 4
        row_high = line_height(TEXT_PX)
        rows_high = len(ROWS) * (row_high + 6)
        spare = inside.height() - figure.line_height - rows_high - line_height(MARK_PX) - 24
        self._ribbon_high = max(RIBBON_PX, min(RIBBON_MOST_PX, spare))
        foot = self._ribbon_high + line_height(MARK_PX) + 9
        with_ribbon = inside.bottom() - top >= foot + 3 * row_high
        bottom = inside.bottom() - foot if with_ribbon else inside.bottom()
        self._arrange_rows(QRect(inside.left(), top, inside.width(), bottom - top + 1), row_high)
        self._arrange_ribbon(inside if with_ribbon else QRect())

    def _arrange_rows(self, place: QRect, row_high: int) -> None:
        """Place as many rows as fit, in two columns in a wide card."""
        columns = 2 if place.width() >= 520 else 1
        width = (place.width() - 32 * (columns - 1)) // columns
        lines = max(0, place.height() // row_high)
        if lines:
            row_high = min(place.height() // min(lines, math.ceil(len(ROWS) / columns)), row_high + 6)
        value_width = text_width(f"{WIDEST} LUFS", TEXT_PX)
        self._brief = width < value_width + text_width(ROWS[1].words, TEXT_PX) + 6
        if self._brief:
            value_width = text_width(WIDEST, TEXT_PX)
        for number, row in enumerate(ROWS):
            column, line = number % columns, number // columns
            box = QRect(place.left() + column * (width + 32), place.top() + line * row_high, width, row_high)
            fits = line < lines
            left = QRect(box.left(), box.top(), width - value_width - 6, row_high)
            right = QRect(box.right() + 1 - value_width, box.top(), value_width, row_high)
            self.labels[f"{row.name}_words"].place(left if fits and left.width() >= 40 else QRect())
            self.labels[row.name].place(right if fits else QRect())

    def _arrange_ribbon(self, inside: QRect) -> None:
        high = line_height(MARK_PX)
        if inside.isEmpty():
            self._ribbon = QRect()
            for name in ("ago", "incomplete"):
                self.labels[name].hide()
            return
        ago_width = text_width("last 5 min", MARK_PX)
        top = inside.bottom() + 1 - high
        self._ribbon = QRect(inside.left(), top - self._ribbon_high - 3, inside.width(), self._ribbon_high)
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
        """One filled shape for each stretch without a gap."""
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
        for row in ROWS:
            value = frame.number(self.key(row.key or row.name))
            self._shown[row.name] = words.settled(value, self._shown[row.name], row.step)
            self.say(f"{row.name}_words", self._row_words(row, frame))
            unit = "" if self._brief else row.unit
            figure = words.with_unit(self._shown[row.name], unit, plus=row.unit == "LUFS")
            self.say(row.name, figure, "ink" if math.isfinite(value) else "faint")
        self.say("ago", "last 5 min")
        self.say("incomplete", self._remark(frame))
        history = frame.vector(self.key("history"))
        if not np.array_equal(history, self._history, equal_nan=True):
            self._history = history.copy()
            self._pieces = self._make_pieces()
            self.update(self._ribbon)

    def choices(self) -> tuple[Choice, ...]:
        """Pause and continue integrated loudness and range together (EBU Tech 3341, 2.2)."""
        heading = "integrated, range and max"
        return (Choice(heading, "running", "running", True), Choice(heading, "paused", "running", False))

    def _row_words(self, row: Row, frame: Frame) -> str:
        if row.name == "range" and not self._brief and frame.number(self.key("measured")) < RANGE_SETTLES_SECONDS:
            return RANGE_NOT_SETTLED
        return row.short if self._brief else row.words

    def _remark(self, frame: Frame) -> str:
        if self.settings.get("running") is False:
            return "integrated, range and max paused"
        return "incomplete: dropouts" if frame.number(self.key("incomplete")) == 1.0 else ""

    def _say_figure(self, frame: Frame) -> None:
        value = frame.number(self.key("short_term"))
        self._shown["short_term"] = words.settled(value, self._shown["short_term"], TENTH)
        waiting = math.isnan(value)
        self.say(
            "figure",
            words.figure(self._shown["short_term"], plus=True),
            "ink" if math.isfinite(value) and self.live else "faint",
        )
        self.say("unit", words.waiting(self.live) if waiting else "LUFS")
        self.beside("figure", "unit")

    def value_text(self) -> str:
        rows = [f"{row.words} {self.labels[row.name].text}" for row in ROWS[:3]]
        return f"short-term {self.labels['figure'].text} {self.labels['unit'].text}, {', '.join(rows)}"


def _closed(points: list[QPointF], floor: float) -> list[QPolygonF]:
    if not points:
        return []
    return [QPolygonF([QPointF(points[0].x(), floor), *points, QPointF(points[-1].x(), floor)])]
