"""Mono loss of the low end: one figure, one sentence, and four stones, one per sub-band.

A stone is as wide as what survives in mono and shifted by its balance. The dotted outline is the stereo level.
The band that the sentence names is amber; a band too weak to judge is faint.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QPointF, QRect, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPen, QRegion

from meter import figures as words
from meter.gui.kit.label import LEFT, RIGHT, Label, figure_room, fitting_px, line_height, shortened, text_width
from meter.gui.kit.theme import FIGURE_PX, HAIRLINE, MARK_PX, TEXT_PX, VERDICT_PX, mixed
from meter.lowend.findings import LowEndFindings
from meter.plugin.face import Face
from meter.readings import Frame

MOST_PX = 120
UNIT = "dB mono loss"
ROOMY_PX = 260
"""From this width on the unit is ``UNIT``; in a narrower card it is "dB", and the title says the rest."""
WIDEST = f"{words.MINUS}88.8"
SOLID, WATCH = 1.0, 2.0
TOLD_DB = 0.5
"""Up to this loss the verdict comes from the balance (common practice, no source)."""
UNRELATED_DB = -3.0
"""Mono loss of two uncorrelated channels of equal level. A band that loses as much or more "largely cancels"."""
ONE_SIDED_DB = 10.0
"""A band panned this far loses level in mono without any cancellation."""
SOLID_BUT = "solid as a whole, but "
IN_MONO = " in mono"
NAME_SHARE = 0.55
"""Share of a line for the part's name, so that the rest of the sentence fits."""
STALE_SECONDS = 2.0
STONE_KEYS = ("band_level", "band_loss", "band_balance", "band_votes")
FULL_LEAN_DB = 12.0
LEVEL_SPAN_DB = 24.0
TOP_BAND = 3
HEIGHT_SHARES = (1.15, 1.0, 0.9, 0.8)
"""Relative heights of the stones, lowest band first."""


@dataclass(frozen=True)
class Stone:
    """One sub-band as drawn: outline and stone in widget pixels, and what decides its colour."""

    outline: QRectF
    body: QRectF
    votes: bool
    spoken_of: bool

    @property
    def place(self) -> QRect:
        """The area to repaint when it changes."""
        return self.outline.united(self.body).adjusted(-2, -2, 2, 2).toAlignedRect()


class MonoLowsFace(Face):
    """See the module's description."""

    least = QSize(160, 90)
    preferred = QSize(540, 330)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "figure": Label(MOST_PX, bold=True, sample=WIDEST, least_px=28),
            "unit": Label(VERDICT_PX, role="soft"),
            "verdict": Label(22, lines=2, sample="00–000 Hz partly cancels", least_px=MARK_PX),
            "lean": Label(TEXT_PX, role="soft"),
            "since": Label(TEXT_PX, role="soft"),
        }
        self._bands = [f"band{number}" for number in range(4)]
        self.labels |= {name: Label(MARK_PX, role="soft", align=RIGHT) for name in self._bands}
        self._column = QRect()
        self._picture = QRect()
        self._stones: list[Stone] = []
        self._told: tuple[object, ...] = ()
        self._loss = math.nan
        self._spoken_of = -1
        self._verdict_lines = 1
        self._stale = False

    @property
    def subtitle(self) -> str:
        return "below 120 Hz, last 3 s"

    def arrange(self, inside: QRect) -> None:
        wide = inside.width() >= 1.7 * inside.height() and inside.width() >= 400
        self._column = QRect(inside)
        if wide:
            self._column.setWidth(round(inside.width() * 0.52))
        self._arrange_figure()
        bottom = self._flow()
        picture = QRect(inside)
        if wide:
            picture.setLeft(self._column.right() + 16)
        else:
            picture.setTop(bottom + 14)
        self._arrange_picture(picture)

    def _arrange_figure(self) -> None:
        column, figure = self._column, self.labels["figure"]
        unit_width = text_width(UNIT if column.width() >= ROOMY_PX else "dB", VERDICT_PX) + 8
        high = figure_room(self.inside.height())
        room = column.width() - unit_width
        if fitting_px(WIDEST, room, high, FIGURE_PX, FIGURE_PX - 8, bold=True) == 0:
            room = column.width()
        figure.place(QRect(column.left(), column.top(), room, high))
        figure.place(QRect(column.left(), column.top(), column.width(), figure.line_height))

    def _flow(self) -> int:
        """Stack the sentences below the figure, each as high as its text; return the bottom edge."""
        column = self._column
        top = self.labels["figure"].rect.bottom() + 3
        for name, lines in (("verdict", 2), ("lean", 1), ("since", 1)):
            label = self.labels[name]
            label.place(QRect(column.left(), top, column.width(), column.height()))
            lines = min(lines, max(0, (column.bottom() + 1 - top) // label.line_height))
            label.place(QRect(column.left(), top, column.width(), lines * label.line_height))
            if lines:
                top += max(1, len(label.shown)) * label.line_height + 3
        lean, since = self.labels["lean"], self.labels["since"]
        since_width = text_width("since R −00.0 dB", TEXT_PX)
        lean_width = column.width() - since_width - 24
        if lean.visible and lean_width >= text_width("leans 00.0 dB to the right", TEXT_PX):
            since.align = RIGHT
            since.place(QRect(column.right() + 1 - since_width, lean.rect.top(), since_width, since.line_height))
            lean.place(QRect(column.left(), lean.rect.top(), lean_width, lean.line_height))
            return lean.rect.bottom()
        since.align = LEFT
        return top - 3

    def _arrange_picture(self, place: QRect) -> None:
        label_width = text_width("000–000 Hz", MARK_PX)
        width = place.width() - label_width - 8
        shown = place.height() >= 72 and width >= 90
        high = min(place.height() - 8, round(width * 0.72))
        self._picture = QRect(place.left(), place.bottom() - 4 - high, width, high) if shown else QRect()
        for number, name in enumerate(self._bands):
            high = line_height(MARK_PX)
            if not shown or self._row(TOP_BAND).height() < high - 3:
                self.labels[name].hide()
                continue
            row = self._row(number)
            top = round(row.center().y() - high / 2)
            self.labels[name].place(QRect(place.right() - label_width, top, label_width, high))
        self._stones, self._told = [], ()

    def _row(self, number: int) -> QRectF:
        """The row of sub-band ``number``; the lowest band is at the bottom."""
        unit = (self._picture.height() - 4.0) / sum(HEIGHT_SHARES)
        bottom = self._picture.bottom() - 2.0 - unit * sum(HEIGHT_SHARES[:number])
        high = unit * HEIGHT_SHARES[number]
        return QRectF(self._picture.left(), bottom - high, self._picture.width(), high - 3.0)

    def paint_still(self, painter: QPainter) -> None:
        if self._picture.isEmpty():
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        middle = self._picture.center().x()
        painter.setPen(QPen(self.theme.line, 1, Qt.PenStyle.DotLine))
        painter.drawLine(middle, self._picture.top(), middle, self._picture.bottom())
        painter.setPen(QPen(self.theme.line, 1))
        painter.drawLine(
            self._picture.left() + 10,
            self._picture.bottom() + 2,
            self._picture.right() - 10,
            self._picture.bottom() + 2,
        )

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        if not region.intersects(self._picture):
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        for stone in self._stones:
            if not region.intersects(stone.place):
                continue
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.setPen(QPen(self.theme.faint if stone.votes else self.theme.line, HAIRLINE, Qt.PenStyle.DotLine))
            painter.drawPath(pebble(stone.outline))
            if stone.body.width() >= 1.0:
                painter.setPen(Qt.PenStyle.NoPen)
                painter.setBrush(self._colour(stone))
                painter.drawPath(pebble(stone.body))

    def _colour(self, stone: Stone) -> QColor:
        if not stone.votes:
            return mixed(self.theme.card, self.theme.measured_deep, 0.45)
        if stone.spoken_of:
            return mixed(self.theme.held, self.theme.card, 0.12 if self.live and not self._stale else 0.5)
        return mixed(self.theme.measured_deep if self._stale else self.measured, self.theme.card, 0.15)

    def take(self, frame: Frame) -> None:
        read = [frame.vector(f"mono_lows.{key}").tobytes() for key in STONE_KEYS]
        if (told := (self._picture, self._spoken_of, *read)) == self._told:
            return
        self._told = told
        stones = self._make_stones(frame)
        if [stone.outline.top() for stone in stones] != [stone.outline.top() for stone in self._stones]:
            self.update(self._picture)
        for before, stone in zip(self._stones, stones, strict=False):
            if stone != before:
                self.update(before.place.united(stone.place))
        self._stones = stones

    def _make_stones(self, frame: Frame) -> list[Stone]:
        levels = frame.vector("mono_lows.band_level")
        if self._picture.isEmpty() or len(levels) != 4:
            return []
        losses, balances = frame.vector("mono_lows.band_loss"), frame.vector("mono_lows.band_balance")
        votes = frame.vector("mono_lows.band_votes")
        heard = levels[np.isfinite(levels)]
        strongest = float(heard.max()) if heard.size else math.nan
        stones = []
        for number in range(4):
            if not math.isfinite(levels[number]):
                continue
            share = max(0.3, 1.0 - (strongest - levels[number]) / LEVEL_SPAN_DB * 0.6)
            outline, body = self._shapes(number, share, float(losses[number]), float(balances[number]))
            stones.append(Stone(outline, body, bool(votes[number] == 1.0), number == self._spoken_of))
        return stones

    def _shapes(self, number: int, share: float, loss_db: float, balance_db: float) -> tuple[QRectF, QRectF]:
        """Outline and stone, rounded to half pixels so that a steady reading does not flicker."""
        row = self._row(number)
        width = row.width() * 0.8 * share
        lean = 0.0 if math.isnan(balance_db) else max(-1.0, min(1.0, balance_db / FULL_LEAN_DB))
        middle = row.center().x() - lean * row.width() * 0.1 - lean * (row.width() * 0.8 - width) * 0.2
        kept = 0.0 if math.isnan(loss_db) else float(10.0 ** (min(loss_db, 0.0) / 20.0))
        return _centred(middle, width, row), _centred(middle, width * kept, row)

    def take_words(self, frame: Frame) -> None:
        loss, verdict = frame.number("mono_lows.loss_now"), frame.number("mono_lows.verdict")
        self._say_bands(frame)
        if math.isnan(loss) or not verdict >= SOLID:
            self._say_not_yet(frame)
        else:
            self._say_verdict(frame, loss, verdict)
        if self._flow_changed():
            self.rearrange()
        self.take(frame)

    def _flow_changed(self) -> bool:
        lines = len(self.labels["verdict"].shown)
        changed, self._verdict_lines = lines != self._verdict_lines, lines
        return changed

    def _say_verdict(self, frame: Frame, loss: float, verdict: float) -> None:
        age = frame.number("mono_lows.age")
        stale = age >= STALE_SECONDS
        if stale != self._stale:
            self._stale = stale
            self.update(self._picture)
        self._loss = words.settled(loss, self._loss, 0.1)
        self.say("figure", words.figure(self._loss), "faint" if stale else "ink")
        self.say("unit", UNIT if self._column.width() >= ROOMY_PX else "dB")
        self.beside("figure", "unit")
        sentence = "the low end cancels completely in mono" if loss == -math.inf else self._verdict(frame, verdict)
        sentence_now = f"{sentence}, {words.age(age)}" if stale else sentence
        short = sentence_now.removeprefix(SOLID_BUT).replace(IN_MONO, "")
        self.say("verdict", sentence_now, "soft" if stale else "ink", short)
        self.say("lean", self._lean(frame, sentence))
        since = frame.number("mono_lows.fold_down_loss")
        self.say("since", "" if math.isnan(since) else f"since R {words.with_unit(since, 'dB')}")

    def _say_not_yet(self, frame: Frame) -> None:
        mix = frame.feeds.get("mix")
        one = len(mix) == 1 if mix is not None else frame.status.channels == 1
        self._loss = math.nan
        self.say("figure", words.NOT_YET, "faint")
        self.say("unit", "")
        self.say("verdict", "needs two channels" if one else words.waiting(self.live), "soft")
        self.say("lean", "")
        self.say("since", "")

    def _verdict(self, frame: Frame, verdict: float) -> str:
        """One sentence from the processor's verdict: about the worst band, or about the balance."""
        worst = frame.number("mono_lows.worst_band")
        band = "" if math.isnan(worst) else self._band_name(frame, int(worst))
        loss, lean = frame.vector("mono_lows.band_loss"), frame.vector("mono_lows.band_balance")
        if verdict == SOLID or not band:
            if self._speaks_of(frame) < 0:
                return "solid below 120 Hz"
            return f"{SOLID_BUT}{band} largely cancels{IN_MONO}{self._behind(frame, int(worst))}"
        if frame.number("mono_lows.loss_now") >= -TOLD_DB:
            return words.side(frame.number("mono_lows.balance_now"))
        if abs(lean[int(worst)]) >= ONE_SIDED_DB:
            return f"{band} sits on the {'left' if lean[int(worst)] > 0 else 'right'}"
        much = "largely" if loss[int(worst)] <= UNRELATED_DB else "partly"
        return f"{band} {much} cancels{IN_MONO}{self._behind(frame, int(worst))}"

    def _behind(self, frame: Frame, band: int) -> str:
        """``: NAME`` of the part that causes the loss; empty without parts or when they lose in another band."""
        found = frame.findings.get("low_end.account")
        if not isinstance(found, LowEndFindings) or not found.mono.culprit:
            return ""
        low, high = found.mono.worst_band_hz
        edges = [frame.vector(f"mono_lows.{key}") for key in ("band_low_edge", "band_high_edge")]
        is_whole = (low, high) not in found.bands_hz
        if not is_whole and (low, high) != tuple(float(edge[band]) for edge in edges):
            return ""
        room = round(self._column.width() * NAME_SHARE)
        return f": {shortened(found.mono.culprit, self.labels['verdict'].size_px, room)}"

    def _speaks_of(self, frame: Frame) -> int:
        """Index of the band that the sentence names: the worst one; -1 for the whole low end."""
        worst = frame.number("mono_lows.worst_band")
        if math.isnan(worst):
            return -1
        told = frame.number("mono_lows.verdict") >= WATCH and frame.number("mono_lows.loss_now") < -TOLD_DB
        return int(worst) if told or frame.vector("mono_lows.band_loss")[int(worst)] <= UNRELATED_DB else -1

    def _lean(self, frame: Frame, verdict: str) -> str:
        lean = words.side(frame.number("mono_lows.balance_now"))
        return "" if lean in (verdict, words.NOT_YET) else lean

    def _say_bands(self, frame: Frame) -> None:
        votes = frame.vector("mono_lows.band_votes")
        self._spoken_of = self._speaks_of(frame)
        for number, name in enumerate(self._bands):
            votes_here = number < len(votes) and votes[number] == 1.0
            role = "held_ink" if number == self._spoken_of else ("soft" if votes_here else "faint")
            self.say(name, self._band_name(frame, number), role)

    def _band_name(self, frame: Frame, number: int) -> str:
        low, high = frame.vector("mono_lows.band_low_edge"), frame.vector("mono_lows.band_high_edge")
        if number >= len(low) or not (math.isfinite(low[number]) and math.isfinite(high[number])):
            return ""
        return f"{low[number]:.0f}–{high[number]:.0f} Hz"

    def value_text(self) -> str:
        said = [self.labels[name].text for name in ("figure", "unit", "verdict", "lean")]
        return " ".join(said[:2]).strip() + ", " + ", ".join(text for text in said[2:] if text)


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
