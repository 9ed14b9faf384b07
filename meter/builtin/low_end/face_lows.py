"""The lows of the mix: their spectrum at every hertz with levels and notes, and under it the four bands in figures.

Shown while no part is named. Amber is the peak hold. A band that largely cancels in mono is written in the colour of
text, the others softly.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from PySide6.QtCore import QRect, QSize, Qt
from PySide6.QtGui import QPainter, QPen, QPolygonF, QRegion

from meter import figures as words
from meter.builtin.low_end import face_mix as mix
from meter.builtin.low_end.face_data import percent
from meter.gui.kit import scale
from meter.gui.kit.label import CENTRE, RIGHT, Label, line_height, text_width
from meter.gui.kit.points import polygon_of
from meter.gui.kit.steady import Lean, Steady, StrongestLow
from meter.gui.kit.theme import HAIRLINE, MARK_PX, TEXT_PX, VERDICT_PX, font, mixed, px
from meter.plugin.face import Face
from meter.readings import Frame

FROM_HZ, TO_HZ = 20.0, 240.0
BOTTOM_DB, TOP_DB = -84.0, 0.0
LEVEL_MARKS_DB = (0, -20, -40, -60, -80)
HZ_LABELS = ((20, 30, 40, 60, 90, 120, 160, 200, 240), (20, 40, 60, 90, 120, 240), (20, 60, 120, 240))
"""The first of these sets that fits is drawn; the edges of the bands are in each but the last."""
BANDS = 4
BANDS_FROM_HZ, BANDS_TO_HZ = 20.0, 120.0
LEAST_PLOT_PX = 60
LINES = ("name", "share", "level", "mono")
CANCELS_DB = -3.0
"""As two channels without relation lose; see the card of the low end in mono."""
CANCELS_SECONDS = 2.0


class LowsFace(Face):
    """See the module's description."""

    least = QSize(220, 120)
    preferred = QSize(1250, 480)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "strongest": Label(VERDICT_PX, bold=True),
            "lean": Label(TEXT_PX, role="soft", align=RIGHT),
        }
        for band in range(BANDS):
            for line in LINES:
                self.labels[f"{line}{band}"] = Label(TEXT_PX, role="soft", align=CENTRE, bold=line == "name")
        self._plot = QRect()
        self._x = np.empty(0)
        self._told = b""
        self._filled, self._held = QPolygonF(), QPolygonF()
        self._low, self._lean = StrongestLow(), Lean()
        self._cancelling = [Steady[bool](CANCELS_SECONDS) for _ in range(BANDS)]

    @property
    def subtitle(self) -> str:
        return "20–240 Hz in dBFS, bands over the last 3 s"

    # Layout

    def arrange(self, inside: QRect) -> None:
        strongest, lean = self.labels["strongest"], self.labels["lean"]
        head = strongest.line_height + px(4)
        lean_width = text_width("leans 00.0 dB to the right", TEXT_PX) if inside.width() >= px(500) else 0
        strongest.place(QRect(inside.left(), inside.top(), inside.width() - lean_width - 12, strongest.line_height))
        lean.place(QRect(inside.right() + 1 - lean_width, inside.top(), lean_width, strongest.line_height))
        gutter, axis = text_width(f"{words.MINUS}80", MARK_PX) + 8, 2 * line_height(MARK_PX) + 6
        row = line_height(TEXT_PX)
        lines = len(LINES) if inside.height() - head - axis - len(LINES) * row >= px(LEAST_PLOT_PX) else 0
        high = inside.height() - head - axis - lines * row - (px(8) if lines else 0)
        self._plot = QRect(inside.left() + gutter, inside.top() + head, inside.width() - gutter, max(0, high))
        if high < px(LEAST_PLOT_PX):
            self._plot = QRect()
        self._arrange_bands(self._plot.bottom() + axis + px(8), row, shown=bool(lines))
        self._x, self._told = np.empty(0), b""
        self._filled, self._held = QPolygonF(), QPolygonF()

    def _arrange_bands(self, top: int, row: int, *, shown: bool) -> None:
        """Four columns of equal width: the bands of the picture get narrow towards 120 Hz."""
        width = self._plot.width() // BANDS
        for number, line in enumerate(LINES):
            for band in range(BANDS):
                box = QRect(self._plot.left() + band * width, top + number * row, width, row)
                self.labels[f"{line}{band}"].place(box if shown else QRect())

    def _at(self, frequency_hz: float) -> int:
        return self._plot.left() + round(scale.log_place(frequency_hz, FROM_HZ, TO_HZ) * (self._plot.width() - 1))

    # Picture

    def paint_still(self, painter: QPainter) -> None:
        plot = self._plot
        if plot.isEmpty():
            return
        painter.setFont(font(MARK_PX))
        bands = QRect(self._at(BANDS_FROM_HZ), plot.top(), self._at(BANDS_TO_HZ) - plot.left(), plot.height())
        painter.fillRect(bands, mixed(self.theme.card, self.theme.trough, 0.35))
        self._draw_levels(painter)
        self._draw_frequencies(painter)
        self._draw_notes(painter)
        painter.setPen(self.theme.line)
        painter.drawLine(plot.left(), plot.bottom() + 1, plot.right(), plot.bottom() + 1)

    def _draw_levels(self, painter: QPainter) -> None:
        high = line_height(MARK_PX)
        every = 1 if self._plot.height() * 20 / (TOP_DB - BOTTOM_DB) >= high else 2
        for level in LEVEL_MARKS_DB[::every]:
            at = self._plot.bottom() - round(
                scale.straight_place(level, BOTTOM_DB, TOP_DB) * (self._plot.height() - 1)
            )
            painter.setPen(mixed(self.theme.card, self.theme.line, 0.6))
            painter.drawLine(self._plot.left(), at, self._plot.right(), at)
            painter.setPen(self.theme.soft)
            box = QRect(self.inside.left(), at - high // 2, self._plot.left() - 8 - self.inside.left(), high)
            painter.drawText(box, Qt.AlignmentFlag.AlignRight, words.figure(level, 0))

    def _draw_frequencies(self, painter: QPainter) -> None:
        top, high = self._plot.bottom() + 4 + line_height(MARK_PX), line_height(MARK_PX)
        for marks in HZ_LABELS:
            boxes = [self._name_box(self._at(hertz), f"{hertz}", top, high) for hertz in marks]
            if all(one.right() + 6 <= other.left() for one, other in itertools.pairwise(boxes)):
                break
        for hertz, box in zip(marks, boxes, strict=True):
            painter.setPen(self.theme.line)
            painter.drawLine(self._at(hertz), self._plot.top(), self._at(hertz), self._plot.bottom())
            painter.setPen(self.theme.soft)
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, f"{hertz}")

    def _draw_notes(self, painter: QPainter) -> None:
        """The open strings of the bass family, a tick and a name each; every second one where they would touch."""
        top, high = self._plot.bottom() + 3, line_height(MARK_PX)
        for notes in (scale.BASS_STRINGS, scale.BASS_STRINGS[1::2], scale.BASS_STRINGS[1::4]):
            names = [scale.note_name(note) for note in notes]
            places = [self._at(scale.note_hz(note)) for note in notes]
            boxes = [self._name_box(at, name, top, high) for at, name in zip(places, names, strict=True)]
            if all(one.right() + 6 <= other.left() for one, other in itertools.pairwise(boxes)):
                break
        painter.setPen(self.theme.ink)
        for at, name, box in zip(places, names, boxes, strict=True):
            painter.drawLine(at, self._plot.bottom() - 3, at, self._plot.bottom() + 3)
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, name)

    def _name_box(self, at: int, text: str, top: int, high: int) -> QRect:
        width = text_width(text, MARK_PX)
        left = max(self._plot.left(), min(at - width // 2, self._plot.right() + 1 - width))
        return QRect(left, top, width, high)

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        if self._plot.isEmpty() or not region.intersects(self._plot) or not self._filled.size():
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        painter.setBrush(mixed(self.theme.card, self.measured, 0.42))
        painter.setPen(QPen(self.measured, HAIRLINE))
        painter.drawPolygon(self._filled)
        painter.setPen(QPen(self.theme.held, HAIRLINE))
        painter.drawPolyline(self._held)

    def take(self, frame: Frame) -> None:
        frequencies, levels = mix.spectrum_of(frame)
        if self._plot.isEmpty() or not len(levels) or len(levels) != len(frequencies):
            return
        held = frame.vector("spectrum.fine_hold")
        if (told := levels.tobytes() + held.tobytes()) == self._told:
            return
        self._told = told
        known = np.isfinite(frequencies) & ~np.isnan(levels)
        if len(self._x) != len(frequencies):
            self._x = np.array([float(self._at(float(hertz))) for hertz in frequencies])
        x, floor, high = self._x[known], float(self._plot.bottom()), self._plot.height() - 1
        now, most = (floor - scale.straight_places(each[known], BOTTOM_DB, TOP_DB) * high for each in (levels, held))
        self._filled = polygon_of(np.concatenate([x[:1], x, x[-1:]]), np.concatenate([[floor], now, [floor]]))
        self._held = polygon_of(x, most)
        self.update(self._plot)

    # Words

    def take_words(self, frame: Frame) -> None:
        self._say_strongest(frame)
        stale = mix.is_stale(frame) or not self.live
        bands = mix.bands_of(frame)
        for number in range(BANDS):
            band = bands[number] if number < len(bands) else None
            self._say_band(number, band, frame.status.elapsed_seconds, stale)
        balance = frame.number("mono_lows.balance_now")
        self.say("lean", self._lean.words(balance, frame.status.elapsed_seconds), "faint" if stale else "soft")

    def _say_band(self, number: int, band: mix.Band | None, now: float, stale: bool) -> None:
        if band is None:
            self._cancelling[number].clear()
            for line in LINES:
                self.say(f"{line}{number}", "")
            return
        cancels = self._cancelling[number].follow(band.loss <= CANCELS_DB, now)
        role = "faint" if stale else "ink" if cancels else "soft"
        mono = "too weak to judge" if math.isnan(band.loss) else f"mono loss {words.figure(band.loss)} dB"
        self.say(f"name{number}", band.name, role)
        self.say(f"share{number}", f"{percent(band.share)} of the lows", role, percent(band.share))
        self.say(f"level{number}", words.with_unit(band.level, "dBFS"), role)
        self.say(f"mono{number}", mono, role, words.figure(band.loss))

    def _say_strongest(self, frame: Frame) -> None:
        frequencies, levels = mix.spectrum_of(frame)
        if not len(levels) or len(levels) != len(frequencies) or np.isnan(levels).all():
            self.say("strongest", words.waiting(self.live), "soft")
        elif not np.nanmax(levels) >= mix.TOLD_FROM_DB:
            self._low.clear()
            self.say("strongest", "no low end now", "soft")
        else:
            hertz = self._low.follow(frequencies, levels, frame.status.elapsed_seconds)
            name = scale.note_name(scale.nearest_note(hertz))
            self.say("strongest", f"strongest low: {hertz:.0f} Hz, near {name}", "ink" if self.live else "faint")

    def value_text(self) -> str:
        said = [self.labels["strongest"].text]
        for band in range(BANDS):
            texts = [self.labels[f"{line}{band}"].text for line in LINES]
            said.append(" ".join(text for text in texts if text))
        return "; ".join(text for text in said if text)
