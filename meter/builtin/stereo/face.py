"""Width: x/y picture of left and right, correlation of the full band and of the low end, balance as text."""

from __future__ import annotations

import math

import numpy as np
from PySide6.QtCore import QPoint, QRect, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPolygonF, QRegion, QTransform

from meter import figures as words
from meter.gui.kit import scale
from meter.gui.kit.label import CENTRE, Label, line_height, text_width
from meter.gui.kit.points import polygon_of
from meter.gui.kit.steady import Steady
from meter.gui.kit.theme import FIGURE_PX, HAIRLINE, SUBTITLE_PX, TEXT_PX
from meter.plugin.face import Face
from meter.readings import Frame

STALE_SECONDS = 2.0
MONO_TOLD_DB, MONO_DWELL_SECONDS = -3.0, 2.0
"""As two channels without relation lose; told when it has lasted (common practice, no source)."""
STEP = 0.1
"""A correlation over 0.3 s, or of the low end over 3 s, supports one decimal."""
WHOLE, LOWS, LOWS_SHORT = "correlation", "low-end correlation", "low end"
TRACK_PX = 5
STACK_PX = 62
"""From this height on the figure is below its label."""
LEAST_PICTURE_PX = 84
POINT_PX = 2


class StereoFace(Face):
    """See the module's description."""

    least = QSize(160, 90)
    preferred = QSize(330, 280)
    settled = ("mono",)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "whole_words": Label(TEXT_PX, role="soft"),
            "whole": Label(FIGURE_PX, bold=True, sample="+0.8", least_px=18),
            "lows_words": Label(TEXT_PX, role="soft"),
            "lows": Label(FIGURE_PX, bold=True, sample="+0.8", least_px=18),
            "balance": Label(TEXT_PX, align=CENTRE),
            "mono": Label(TEXT_PX, align=CENTRE, lines=1),
            "left": Label(SUBTITLE_PX, role="faint", align=CENTRE),
            "right": Label(SUBTITLE_PX, role="faint", align=CENTRE),
        }
        self._picture = QRect()
        self._tracks: dict[str, QRect] = {}
        self._at: dict[str, float] = {"whole": math.nan, "lows": math.nan}
        self._shown = {"whole": math.nan, "lows": math.nan}
        self._dots: QPolygonF | None = None
        self._values = b""
        self._stale = False
        self._mono_told = False
        self._worst: Steady[int] = Steady(MONO_DWELL_SECONDS)

    @property
    def subtitle(self) -> str:
        return "last 0.3 s, low end 3 s"

    def arrange(self, inside: QRect) -> None:
        """The largest picture that fits, figures beside or below it, the balance at the bottom."""
        balance, mono = self.labels["balance"], self.labels["mono"]
        mono_high = mono.line_height if self._mono_told else 0
        foot = balance.line_height + mono_high + 8
        with_foot = inside.height() >= foot + 2 * line_height(18, bold=True)
        top = inside.bottom() - foot + 9
        balance.place(QRect(inside.left(), top, inside.width(), balance.line_height if with_foot else 0))
        under = QRect(inside.left(), top + balance.line_height, inside.width(), mono_high)
        mono.place(under if with_foot else QRect(inside.left(), inside.bottom() + 1 - mono_high, 0, 0))
        rest = inside.adjusted(0, 0, 0, -foot if with_foot else 0)
        self._picture, cells = max(_beside(rest), _below(rest), key=lambda found: found[0].width())
        if self._picture.isEmpty():
            half = rest.height() // 2
            cells = [QRect(rest.left(), rest.top() + row * half, rest.width(), half) for row in (0, 1)]
        self._tracks = {}
        for name, cell in zip(("whole", "lows"), cells, strict=True):
            self._arrange_cell(name, cell)
        self._arrange_corners()
        self._dots = None

    def _arrange_cell(self, name: str, cell: QRect) -> None:
        """Label, figure and track of one correlation, stacked or on one line."""
        told, figure = self.labels[f"{name}_words"], self.labels[name]
        track_room = TRACK_PX + 9
        if cell.height() >= STACK_PX:
            told.place(QRect(cell.left(), cell.top(), cell.width(), told.line_height))
            under = cell.top() + told.line_height
            figure.place(QRect(cell.left(), under, cell.width(), cell.height() - told.line_height - track_room))
            bottom = figure.rect.top() + figure.line_height
            figure.place(QRect(cell.left(), under, cell.width(), figure.line_height))
        else:
            width = text_width("+0.8", 18, bold=True) + 2
            high = min(cell.height(), line_height(18, bold=True))
            figure.place(QRect(cell.right() + 1 - width, cell.top(), width, high))
            told.place(QRect(cell.left(), cell.top() + 2, cell.width() - width - 8, high - 2))
            bottom = cell.top() + high
        if bottom + track_room <= cell.bottom() + 1:
            self._tracks[name] = QRect(cell.left(), bottom + 3, min(cell.width(), 320), TRACK_PX)

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
            painter.setPen(QPen(colour, HAIRLINE))
            self._draw_dots(painter, self._dots)
        for name, track in self._tracks.items():
            if not math.isnan(self._at[name]) and region.intersects(self._knob(track, self._at[name])):
                painter.fillRect(
                    self._knob(track, self._at[name]), self.theme.measured_deep if self._stale else self.measured
                )

    def _draw_dots(self, painter: QPainter, dots: QPolygonF) -> None:
        """Draw square dots as several passes of single device pixels: a wide pen costs ten times as much."""
        ratio = self.devicePixelRatioF()
        across = max(1, round(POINT_PX * ratio))
        steps = [(step - (across - 1) / 2.0) / ratio for step in range(across)]
        whole = painter.transform()
        for right in steps:
            for down in steps:
                painter.setTransform(QTransform.fromTranslate(right, down) * whole)
                painter.drawPoints(dots)
        painter.setTransform(whole)

    def _knob(self, track: QRect, place: float) -> QRect:
        return QRect(track.left() + round(place * (track.width() - 6)), track.top() - 3, 6, TRACK_PX + 6)

    def take(self, frame: Frame) -> None:
        self._take_picture(frame.vector(self.key("picture")))
        for name, key in (("whole", "correlation_now"), ("lows", "low_correlation_now")):
            place = scale.correlation_place(frame.number(self.key(key)))
            track, before = self._tracks.get(name), self._at[name]
            self._at[name] = place
            if track is None or (math.isnan(place) and math.isnan(before)):
                continue
            boxes = [QRect() if math.isnan(each) else self._knob(track, each) for each in (before, place)]
            if boxes[0] != boxes[1]:
                self.update(boxes[0].united(boxes[1]))

    def _take_picture(self, values: np.ndarray) -> None:
        """Dots of (R - L) / sqrt 2 across and (L + R) / sqrt 2 up, with the radius compressed (``picture_reach``)."""
        if self._picture.isEmpty() or not len(values):
            return
        told = values.tobytes()
        if self._dots is not None and told == self._values:
            return
        self._values = told
        half = len(values) // 2
        across, up = values[:half], values[half : 2 * half]
        known = np.isfinite(values[:half] + values[half : 2 * half])
        middle, reach = QRectF(self._picture).center(), self._picture.width() / 2.0 - POINT_PX
        across, up = across[known], up[known]
        radius = np.maximum(np.hypot(across, up), 1e-9)
        stretch = reach * scale.picture_reach(radius) / radius
        self._dots = polygon_of(middle.x() + across * stretch, middle.y() - up * stretch)
        self.update(self._picture)

    def take_words(self, frame: Frame) -> None:
        whole, lows = frame.number(self.key("correlation_now")), frame.number(self.key("low_correlation_now"))
        age = frame.number(self.key("age"))
        stale = age >= STALE_SECONDS or not self.live
        if stale != self._stale:
            self._stale = stale
            self.update()
        self.say("whole_words", WHOLE)
        self.say("lows_words", LOWS, short=LOWS_SHORT)
        for name, value in (("whole", whole), ("lows", lows)):
            self._shown[name] = words.settled(value, self._shown[name], STEP)
            role = "faint" if stale or math.isnan(value) else "ink"
            self.say(name, words.figure(self._shown[name], 1, plus=True), role)
        self._say_mono(frame, stale)
        text, short, role = self._balance(frame, stale, age)
        self.say("balance", text, role, short)

    def _say_mono(self, frame: Frame, stale: bool) -> None:
        """The band above 120 Hz that loses most in mono; nothing while none loses 3 dB for some time."""
        losses = frame.vector(self.key("mono_loss"))
        known = np.where(np.isnan(losses), 0.0, losses)
        worst = int(known.argmin()) if len(known) and known.min() <= MONO_TOLD_DB else -1
        worst = self._worst.follow(worst, frame.status.elapsed_seconds)
        text = ""
        if 0 <= worst < len(known):
            low, high = (float(frame.vector(self.key(f"mono_{edge}_edge"))[worst]) for edge in ("low", "high"))
            loss = float(known[worst])
            deed = "cancels completely" if loss == -math.inf else f"loses {words.figure(-loss)} dB"
            text = f"{_band_words(low, high)} {deed} in mono"
        self.say("mono", text, "faint" if stale else "ink")
        if bool(text) != self._mono_told:
            self._mono_told = bool(text)
            self.rearrange()

    def _balance(self, frame: Frame, stale: bool, age: float) -> tuple[str, str, str]:
        """The balance, its short form, and the colour role."""
        balance = frame.number(self.key("balance_now"))
        told, brief = words.side(balance), words.side_short(balance)
        if told == words.NOT_YET:
            return ("needs two channels" if len(self.columns(frame)) == 1 else words.waiting(self.live)), "", "soft"
        if age >= STALE_SECONDS:
            return f"{told}, {words.age(age)}", f"{brief}, {words.age(age)}", "faint"
        if stale:
            return told, brief, "faint"
        return told, brief, "ink"

    def value_text(self) -> str:
        said = {name: label.text for name, label in self.labels.items()}
        return f"{WHOLE} {said['whole']}, {LOWS} {said['lows']}, {said['balance']} {said['mono']}".strip()


def _band_words(low_hz: float, high_hz: float) -> str:
    """``120–350 Hz``, ``1–3 kHz``."""
    if low_hz >= 1000.0:
        return f"{low_hz / 1000.0:g}–{high_hz / 1000.0:g} kHz"
    return f"{low_hz:g}–{high_hz:g} Hz"


Places = tuple[QRect, list[QRect]]
"""Rectangle of the picture, empty for none, and of the two correlations."""


def _beside(place: QRect) -> Places:
    """Picture on the left, correlations stacked on the right."""
    words_width = text_width(WHOLE, TEXT_PX)
    side = min(place.height(), place.width() - text_width("+0.8", FIGURE_PX, bold=True) - 24)
    if side < 2 * STACK_PX:
        side = min(place.height(), place.width() - words_width - text_width("+0.8", 18, bold=True) - 34)
    if side < LEAST_PICTURE_PX:
        return QRect(), []
    top = place.top() + (place.height() - side) // 2
    left = place.left() + side + 22
    cells = [QRect(left, top + row * side // 2, place.right() + 1 - left, side // 2) for row in (0, 1)]
    return QRect(place.left(), top, side, side), cells


def _below(place: QRect) -> Places:
    """Picture on top, correlations side by side below it."""
    high = max(STACK_PX, min(86, round(place.height() * 0.32)))
    side = min(place.width(), place.height() - high - 10)
    if side < LEAST_PICTURE_PX or place.width() < 190:
        return QRect(), []
    width = (place.width() - 20) // 2
    top = place.bottom() + 1 - high
    cells = [QRect(place.left() + column * (width + 20), top, width, high) for column in (0, 1)]
    return QRect(place.left() + (place.width() - side) // 2, place.top(), side, side), cells
