"""How long a low part rings: a wedge that falls, and the post of the next low note standing in it or clear of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from PySide6.QtCore import QPointF, QRect, QRectF, QSize, Qt
from PySide6.QtGui import QPainter, QPen, QPolygonF, QRegion

from meter import figures as words
from meter.builtin.low_end import face_data as data
from meter.builtin.low_end import face_mix as mix
from meter.gui.kit.label import Label, figure_room, text_width
from meter.gui.kit.theme import FIGURE_PX, MARK_PX, TEXT_PX, font, mixed
from meter.plugin.face import Face
from meter.readings import Frame

TARGET_DB = -20.0
SHOWN_DB = 30.0
FLOOR_MARGIN = 1.3
"""A ring shorter than this many times the analysis filter's own cannot be told from it."""
NOTHING_LEFT_DB = -40.0
LEAST_SPAN_MS = 200.0
WIDEST = "8,888"


@dataclass(frozen=True)
class Fall:
    """What is drawn: times in milliseconds; NaN where not known."""

    ring: float
    next_note: float
    overhang: float
    half_beat: float

    @property
    def span(self) -> float:
        """Time that the picture covers."""
        known = [1.5 * self.ring, 1.15 * self.next_note, 1.15 * self.half_beat, LEAST_SPAN_MS]
        return max(value for value in known if math.isfinite(value))


class RingFace(Face):
    """See the module's description. Shows the kick, else the part spoken of if it rings, else the first that does."""

    meter_id = data.METER
    title = "Ring"
    least = QSize(200, 110)
    preferred = QSize(320, 240)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "figure": Label(FIGURE_PX, bold=True, sample=WIDEST, least_px=28),
            "unit": Label(TEXT_PX, role="soft"),
            "verdict": Label(TEXT_PX, lines=6),
        }
        self._mapped = True
        self._picture = QRect()
        self._fall: Fall | None = None
        self._name = ""
        self._stale = False

    short_subtitle = "median of hits"

    @property
    def subtitle(self) -> str:
        return "octave of the lowest note, median of hits"

    def arrange(self, inside: QRect) -> None:
        figure, unit, verdict = self.labels["figure"], self.labels["unit"], self.labels["verdict"]
        if not self._mapped:
            figure.hide()
            unit.hide()
            verdict.place(inside)
            self._picture = QRect()
            return
        wide = inside.width() >= 2.2 * inside.height()
        column = QRect(inside.left(), inside.top(), inside.width() // 2 if wide else inside.width(), inside.height())
        unit_width = text_width("ms to −20 dB", TEXT_PX) + 10
        room = figure_room(inside.height(), 60)
        figure.place(QRect(column.left(), column.top(), column.width() - unit_width, room))
        figure.place(QRect(column.left(), column.top(), column.width(), figure.line_height))
        lines = max(1, min(2, (column.bottom() - figure.rect.bottom()) // verdict.line_height - (0 if wide else 2)))
        top = figure.rect.bottom() + 4 if wide else column.bottom() + 1 - lines * verdict.line_height
        verdict.place(QRect(column.left(), top, column.width(), lines * verdict.line_height))
        unit.place(QRect())
        if wide:
            left = column.right() + 20
            self._picture = QRect(left, inside.top(), inside.right() - left, inside.height())
        else:
            above = figure.rect.bottom() + 8
            self._picture = QRect(inside.left(), above, inside.width(), verdict.rect.top() - 8 - above)
        if self._picture.height() < 36 or self._picture.width() < 80:
            self._picture = QRect()

    # Numbers and words

    def take_words(self, frame: Frame) -> None:
        if bool(frame.parts) != self._mapped:
            self._mapped = bool(frame.parts)
            self.rearrange()
        if not self._mapped:
            self.say("verdict", mix.RING_WOULD_SHOW, "soft", mix.RING_NEEDS)
            return
        part = self._part_with_a_ring(frame)
        fall = self._fall_of(frame, part)
        stale = data.is_stale(frame)
        name = frame.parts[part] if part >= 0 else ""
        if (fall, name, stale) != (self._fall, self._name, self._stale):
            self._fall, self._name, self._stale = fall, name, stale
            self.update(self._picture.adjusted(-2, -2, 2, 2))
        ring = fall.ring if fall is not None else math.nan
        figure = f"{ring:,.0f}" if math.isfinite(ring) else words.NOT_YET
        self.say("figure", figure, "ink" if math.isfinite(ring) and not stale else "faint")
        self.say("unit", "ms to −20 dB" if math.isfinite(ring) else "")
        self.beside("figure", "unit")
        sentence, short = data.with_age(self._sentence(frame, part, fall), frame), self._short(frame, part, fall)
        self.say("verdict", sentence, "soft" if stale or not math.isfinite(ring) else "ink", short)

    @staticmethod
    def _part_with_a_ring(frame: Frame) -> int:
        """The kick, the part spoken of, or any: the first of them with a ring; else the kick."""
        rings = data.each(frame, "ring")
        kick, spoken_of = data.index_of(frame, "pair_first"), data.index_of(frame, "spoken_of")
        candidates = [kick, spoken_of, *range(len(rings))]
        return next((part for part in candidates if part >= 0 and math.isfinite(rings[part])), kick)

    @staticmethod
    def _fall_of(frame: Frame, part: int) -> Fall | None:
        if part < 0:
            return None
        ring, after, overhang = (float(data.each(frame, key)[part]) for key in ("ring", "overhang_after", "overhang"))
        return Fall(round(ring) if math.isfinite(ring) else ring, after, overhang, data.number(frame, "half_beat"))

    def _short(self, frame: Frame, part: int, fall: Fall | None) -> str:
        """For where the sentence does not fit: what is left when the next low note begins."""
        if fall is not None and math.isnan(fall.ring) and math.isfinite(data.each(frame, "ring_spread")[part]):
            return "no common decay"
        if fall is None or not (math.isfinite(fall.ring) and math.isfinite(fall.next_note)):
            return data.first_fitting(self.labels["verdict"], "not enough clear hits yet", "too few clear hits")
        if math.isnan(fall.overhang):
            return ""
        if fall.overhang < NOTHING_LEFT_DB:
            return data.first_fitting(self.labels["verdict"], "gone by the next low note", "gone by next note")
        left = f"{words.figure(fall.overhang)} dB"
        verdict = self.labels["verdict"]
        return data.first_fitting(verdict, f"{left} at the next low note", f"{left} at next note", f"tail {left}")

    def _sentence(self, frame: Frame, part: int, fall: Fall | None) -> str:
        if fall is None or part < 0:
            return "No drum and no owner of the lows to measure yet."
        name = frame.parts[part]
        if math.isnan(fall.ring):
            hits, spread = (float(data.each(frame, key)[part]) for key in ("ring_hits", "ring_spread"))
            if math.isfinite(spread):
                return f"{name}: no common decay, {hits:.0f} hits vary by {spread:,.0f} ms"
            heard = int(hits) if math.isfinite(hits) else 0
            return f"{name}: {heard} of 8 clear hits so far"
        floor = float(data.each(frame, "ring_floor")[part])
        spread = float(data.each(frame, "ring_spread")[part])
        sentence = f"{name}, varies {spread:,.0f} ms" if math.isfinite(spread) else name
        if fall.ring < FLOOR_MARGIN * floor:
            sentence = f"{name} is gone as fast as can be shown"
        return sentence + self._next(fall)

    @staticmethod
    def _next(fall: Fall) -> str:
        if not (math.isfinite(fall.next_note) and not math.isnan(fall.overhang)):
            return ""
        left = f"tail still {words.figure(fall.overhang)} dB"
        if fall.overhang < NOTHING_LEFT_DB:
            left = "none of it left"
        return f": next low note at {fall.next_note:,.0f} ms, {left}"

    # Picture

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        if self._picture.isEmpty() or not region.intersects(self._picture):
            return
        place = self._picture
        painter.setPen(self.theme.line)
        painter.drawLine(place.bottomLeft(), place.bottomRight())
        if self._fall is None or not math.isfinite(self._fall.ring) or not self._fall.ring > 0.0:
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        self._draw_wedge(painter, self._fall)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        self._draw_marks(painter, self._fall)

    def _at(self, milliseconds: float, level_db: float, fall: Fall) -> QPointF:
        x = self._picture.left() + milliseconds / fall.span * self._picture.width()
        y = self._picture.top() + 14 + min(1.0, max(0.0, -level_db / SHOWN_DB)) * (self._picture.height() - 15)
        return QPointF(x, y)

    def _draw_wedge(self, painter: QPainter, fall: Fall) -> None:
        """From the peak straight down to 30 dB under it; what still sounds after the next note begins is amber."""
        slope = TARGET_DB / fall.ring
        end = min(SHOWN_DB / -slope, fall.span)
        split = min(end, fall.next_note) if math.isfinite(fall.next_note) else end
        calm = mixed(self.measured, self.theme.card, 0.55 if self._stale else 0.25)
        loud = mixed(self.theme.held, self.theme.card, 0.55 if self._stale else 0.2)
        for first, last, colour in ((0.0, split, calm), (split, end, loud)):
            if last > first:
                corners = [
                    self._at(first, -SHOWN_DB, fall), self._at(first, slope * first, fall),
                    self._at(last, slope * last, fall), self._at(last, -SHOWN_DB, fall),
                ]  # fmt: skip
                painter.setPen(Qt.PenStyle.NoPen)
                painter.setBrush(colour)
                painter.drawPolygon(QPolygonF(corners))

    def _draw_marks(self, painter: QPainter, fall: Fall) -> None:
        painter.setFont(font(MARK_PX))
        at = self._at(fall.ring, 0.0, fall).x()
        level = self._at(0.0, TARGET_DB, fall).y()
        painter.setPen(QPen(self.theme.soft, 1, Qt.PenStyle.DotLine))
        painter.drawLine(QPointF(self._picture.left(), level), QPointF(at, level))
        named = QRectF()
        for milliseconds, text, colour, style in (
            (fall.next_note, "next low note", self.theme.ink, Qt.PenStyle.SolidLine),
            (fall.half_beat, "½ beat", self.theme.soft, Qt.PenStyle.DashLine),
        ):
            if not math.isfinite(milliseconds) or milliseconds > fall.span:
                continue
            x = self._at(milliseconds, 0.0, fall).x()
            painter.setPen(QPen(colour, 2 if style == Qt.PenStyle.SolidLine else 1, style))
            painter.drawLine(QPointF(x, self._picture.top() + 14), QPointF(x, self._picture.bottom()))
            width = text_width(text, MARK_PX)
            left = max(self._picture.left(), min(x - width / 2, self._picture.right() - width))
            place = QRectF(left - 4, 0.0, width + 8, 1.0)
            if not place.intersects(named):
                named = place
                painter.setPen(colour)
                painter.drawText(QPointF(left, self._picture.top() + 8.0), text)

    def value_text(self) -> str:
        return self.labels["verdict"].text
