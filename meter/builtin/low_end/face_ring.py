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
from meter.lowend import words as sentences
from meter.lowend.findings import PartFindings
from meter.plugin.face import Face
from meter.readings import Frame

TARGET_DB = -20.0
SHOWN_DB = 30.0
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
    """See the module's description. Shows the kick; without its ring, the shown part, or the first with one."""

    least = QSize(200, 110)
    preferred = QSize(320, 240)
    settled = ("verdict",)

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
        name = part.name if part is not None else ""
        if (fall, name, stale) != (self._fall, self._name, self._stale):
            self._fall, self._name, self._stale = fall, name, stale
            self.update(self._picture.adjusted(-2, -2, 2, 2))
        ring = fall.ring if fall is not None else math.nan
        figure = f"{ring:,.0f}" if math.isfinite(ring) else words.NOT_YET
        self.say("figure", figure, "ink" if math.isfinite(ring) and not stale else "faint")
        self.say("unit", "ms to −20 dB" if math.isfinite(ring) else "")
        self.beside("figure", "unit")
        sentence, short = data.with_age(self._sentence(part, fall), frame), self._short(part, fall)
        self.say("verdict", sentence, "soft" if stale or not math.isfinite(ring) else "ink", short)

    def _part_with_a_ring(self, frame: Frame) -> PartFindings | None:
        """The kick, the shown part, or any: the first of them with a ring; otherwise the kick."""
        found = data.findings(frame)
        if found is None:
            return None
        kick = found.part(found.pairs[0].first) if found.pairs else None
        shown = data.part_found(frame, data.shown_part(frame, self.settings))
        candidates = (kick, shown, *found.parts)
        return next((part for part in candidates if part is not None and math.isfinite(part.ring_ms)), kick)

    @staticmethod
    def _fall_of(frame: Frame, part: PartFindings | None) -> Fall | None:
        found = data.findings(frame)
        if part is None or found is None:
            return None
        ring = round(part.ring_ms) if math.isfinite(part.ring_ms) else part.ring_ms
        return Fall(ring, part.overhang_after_ms, part.overhang_db, found.half_beat_ms)

    def _short(self, part: PartFindings | None, fall: Fall | None) -> str:
        """For where the sentence does not fit: what is left when the next low note begins."""
        verdict = self.labels["verdict"]
        if part is not None and math.isnan(part.ring_ms) and math.isfinite(part.ring_spread_ms):
            return "no common decay"
        if fall is None or not (math.isfinite(fall.ring) and math.isfinite(fall.next_note)):
            return data.first_fitting(verdict, "not enough clear hits yet", "too few clear hits")
        if math.isnan(fall.overhang):
            return ""
        if fall.overhang < sentences.NOTHING_LEFT_DB:
            return data.first_fitting(verdict, "gone by the next low note", "gone by next note")
        left = f"{words.figure(fall.overhang)} dB"
        return data.first_fitting(verdict, f"{left} at the next low note", f"{left} at next note", f"tail {left}")

    @staticmethod
    def _sentence(part: PartFindings | None, fall: Fall | None) -> str:
        if fall is None or part is None:
            return "No drum and no owner of the lows to measure yet."
        name, hits, spread = part.name, part.ring_hits, part.ring_spread_ms
        if math.isnan(fall.ring):
            if math.isfinite(spread):
                return f"{name}: no common decay, {hits} hits vary by {spread:,.0f} ms"
            return f"{name}: {hits} of 8 clear hits so far"
        sentence = f"{name}, varies {spread:,.0f} ms" if math.isfinite(spread) else name
        if sentences.is_as_fast_as_can_be_shown(part):
            sentence = f"{name} is gone as fast as can be shown"
        tail = sentences.tail_words(part)
        return f"{sentence}: {tail}" if tail else sentence

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
        """From the peak straight down to 30 dB under it; what still sounds after the next note begins is white."""
        slope = TARGET_DB / fall.ring
        end = min(SHOWN_DB / -slope, fall.span)
        split = min(end, fall.next_note) if math.isfinite(fall.next_note) else end
        calm = mixed(self.measured, self.theme.card, 0.55 if self._stale else 0.25)
        loud = mixed(self.theme.ink, self.theme.card, 0.55 if self._stale else 0.2)
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
