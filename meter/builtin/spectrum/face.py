"""Spectrum in two resolutions: the low end at every hertz with note names, the rest in third octaves.

Blue is now, amber is what is held: the peak hold or, to compare with, the average at the moment when it was held.
With a slope compensation the picture is tilted about 1 kHz. Left axis: notes, logarithmic; right axis: nominal
frequencies (ISO 266).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import QRect, QSize, Qt
from PySide6.QtGui import QHideEvent, QPainter, QPen, QPolygonF, QRegion

from meter import figures as words
from meter.gui.kit import scale
from meter.gui.kit.label import Label, line_height, text_width
from meter.gui.kit.points import polygon_of
from meter.gui.kit.steady import StrongestLow
from meter.gui.kit.theme import HAIRLINE, MARK_PX, TEXT_PX, font, mixed
from meter.plugin.face import Choice, Face
from meter.readings import Frame

if TYPE_CHECKING:
    from meter.builtin.spectrum.face_closer import CloserLook

BOTTOM_DB, TOP_DB = -84.0, 0.0
LEVEL_MARKS_DB = (-20, -40, -60)
LOWS_FROM_HZ, LOWS_TO_HZ = 20.0, 240.0
THIRDS_FROM_HZ = 224.0
"""Lower edge of the 250 Hz third octave, the first one above the fine part."""
LABELLED_THIRDS_HZ = (250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
LOWS_SHARE = 0.45
SPEEDS = (("quick", "fast, 0.125 s"), ("steady", "medium, 1 s"), ("slow", "slow, 3 s"))
OF = (("all", "all channels"), ("mid", "mid"), ("side", "side"))
SLOPES = (("0", "none"), ("3", "3 dB per octave"), ("4.5", "4.5 dB per octave"), ("6", "6 dB per octave"))
SLOPE_ABOUT_HZ = 1000.0
LEAST_LOW_DB = -70.0
"""Below this level no strongest low is named."""


class SpectrumFace(Face):
    """See the module's description."""

    least = QSize(200, 110)
    preferred = QSize(560, 270)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {"strongest": Label(TEXT_PX)}
        self._lows = QRect()
        self._thirds = QRect()
        self._bars: list[QRect] = []
        self._bar_hz: list[float] = []
        self._first_third = 0
        self._tops: list[int] = []
        self._holds: list[int] = []
        self._fine_x = np.empty(0)
        self._fine: np.ndarray = np.empty(0)
        self._fine_told = b""
        self._thirds_told: tuple[bytes, ...] = ()
        self._filled = QPolygonF()
        self._held_line = QPolygonF()
        self._low = StrongestLow()
        self._kept: dict[str, np.ndarray] = {}
        self._closer: CloserLook | None = None

    @property
    def subtitle(self) -> str:
        of = self.settings.get("of", "all")
        told = ["dBFS" if of == "all" else f"{of}, dBFS"]
        if slope := self._slope:
            told.append(f"+{slope:g} dB per octave")
        if self._kept:
            told.append("amber: held average")
        return ", ".join([*told, "low end by note, the rest in third octaves"])

    @property
    def short_subtitle(self) -> str:  # type: ignore[override]  # changes with what is shown
        return self.subtitle.removesuffix(", low end by note, the rest in third octaves")

    @property
    def _slope(self) -> float:
        return float(self.settings.get("slope", "0"))

    def choices(self) -> tuple[Choice, ...]:
        compare = [Choice("amber line", "peak hold", run=self._release)] if self._kept else []
        return (
            *(Choice("spectrum of", name, "of", of) for of, name in OF),
            *(Choice("averaging", name, "speed", speed) for speed, name in SPEEDS),
            *(Choice("slope compensation", name, "slope", slope) for slope, name in SLOPES),
            Choice("amber line", "hold the average of now to compare", run=self._keep),
            *compare,
            Choice("view", "zoom and cursor…", run=self.look_closer),
            Choice("view", "against reference files…", run=lambda: self.action_asked.emit("references")),
        )

    def _keep(self) -> None:
        """Hold what is shown now, to compare with what follows."""
        if self._frame is not None:
            held = {"fine_hold": "fine", "third_octave_hold": "third_octave"}
            self._kept = {key: self._frame.vector(self.key(now)).copy() for key, now in held.items()}
            self._redo()

    def _release(self) -> None:
        self._kept = {}
        self._redo()

    def _held(self, frame: Frame, name: str) -> np.ndarray:
        """The peak hold, or the average that was held instead."""
        live = frame.vector(self.key(name))
        kept = self._kept.get(name)
        return kept if kept is not None and len(kept) == len(live) else live

    def _tilted(self, levels: np.ndarray, frequencies: np.ndarray) -> np.ndarray:
        """Levels as drawn: with the slope compensation."""
        if not self._slope:
            return levels
        return np.asarray(levels + self._slope * np.log2(frequencies / SLOPE_ABOUT_HZ))

    def look_closer(self) -> None:
        """Open the zoom window, or bring it to the front."""
        if self._closer is None:
            from meter.builtin.spectrum.face_closer import CloserLook  # pyqtgraph is slow to load

            self._closer = CloserLook(self.meter_id, self)
        if self._frame is not None:
            self._closer.show_frame(self._frame)
        self._closer.show()
        self._closer.raise_()
        self._closer.activateWindow()

    def hideEvent(self, event: QHideEvent) -> None:
        """Hide the zoom window with the face."""
        super().hideEvent(event)
        if self._closer is not None:
            self._closer.hide()

    def arrange(self, inside: QRect) -> None:
        axis = line_height(MARK_PX) + 4
        strongest = self.labels["strongest"]
        told = inside.height() >= 150
        top = inside.top() + (strongest.line_height + 2 if told else 4)
        gutter = text_width(f"{words.MINUS}60", MARK_PX) + 8
        plot = QRect(inside.left() + gutter, top, inside.width() - gutter, inside.bottom() + 1 - axis - top)
        strongest.place(QRect(plot.left(), inside.top(), plot.width(), strongest.line_height if told else 0))
        width = round(plot.width() * LOWS_SHARE)
        self._lows = QRect(plot.left(), plot.top(), width, plot.height())
        self._thirds = QRect(plot.left() + width + 12, plot.top(), plot.width() - width - 12, plot.height())
        self._arrange_bars()
        self._fine_x = np.empty(0)
        self._fine, self._fine_told = np.empty(0), b""

    def _arrange_bars(self) -> None:
        self._bars = []
        count = len(self._bar_hz)
        for number in range(count):
            left = self._thirds.left() + round(number * self._thirds.width() / count)
            right = self._thirds.left() + round((number + 1) * self._thirds.width() / count)
            gap = 1 if right - left < 8 else 3
            self._bars.append(QRect(left, self._thirds.top(), right - left - gap, self._thirds.height()))
        self._tops, self._holds = [0] * count, [0] * count
        self._thirds_told = ()

    def paint_still(self, painter: QPainter) -> None:
        painter.setFont(font(MARK_PX))
        self._draw_levels(painter)
        self._draw_third_names(painter, self._draw_notes(painter))
        painter.setPen(self.theme.line)
        for plot in (self._lows, self._thirds):
            painter.drawLine(plot.left(), plot.bottom() + 1, plot.right(), plot.bottom() + 1)

    def _draw_levels(self, painter: QPainter) -> None:
        high = line_height(MARK_PX)
        for level in LEVEL_MARKS_DB:
            at = self._lows.bottom() - round(scale.straight_place(level, BOTTOM_DB, TOP_DB) * self._lows.height())
            painter.setPen(mixed(self.theme.card, self.theme.line, 0.6))
            for plot in (self._lows, self._thirds):
                painter.drawLine(plot.left(), at, plot.right(), at)
            painter.setPen(self.theme.faint)
            box = QRect(self.inside.left(), at - high // 2, self._lows.left() - 8 - self.inside.left(), high)
            painter.drawText(box, Qt.AlignmentFlag.AlignRight, words.figure(level, 0))

    def _draw_notes(self, painter: QPainter) -> int:
        """A line at each open string of the bass family, named where it fits; return the right edge of the names."""
        free = -1
        for note in scale.BASS_STRINGS:
            at = self._lows.left() + round(self._low_place(scale.note_hz(note)) * self._lows.width())
            painter.setPen(self.theme.line)
            painter.drawLine(at, self._lows.top(), at, self._lows.bottom())
            free = self._draw_name(painter, at, scale.note_name(note), free)
        return free

    def _draw_third_names(self, painter: QPainter, free: int) -> None:
        """A name at every octave, or at every second one where names would touch."""
        octave = 3 * self._thirds.width() / max(1, len(self._bars))
        names = LABELLED_THIRDS_HZ if octave >= text_width("500", MARK_PX) + 8 else LABELLED_THIRDS_HZ[::2]
        for bar, frequency in zip(self._bars, self._bar_hz, strict=True):
            nominal = scale.nominal_hz(frequency)
            if nominal in names:
                free = self._draw_name(painter, bar.center().x(), scale.hertz_label(nominal), free)

    def _draw_name(self, painter: QPainter, at: int, text: str, free: int) -> int:
        """Centre a name at x = ``at`` unless it touches the previous one; return where the next may begin."""
        width = text_width(text, MARK_PX)
        left = min(at - width // 2, self.inside.right() + 1 - width)
        if left < free:
            return free
        painter.setPen(self.theme.soft)
        box = QRect(left, self._lows.bottom() + 4, width, line_height(MARK_PX))
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)
        return left + width + 6

    @staticmethod
    def _low_place(frequency_hz: float) -> float:
        return scale.log_place(frequency_hz, LOWS_FROM_HZ, LOWS_TO_HZ)

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        if region.intersects(self._lows) and self._filled.size():
            painter.setBrush(mixed(self.theme.card, self.measured, 0.42))
            painter.setPen(QPen(self.measured, HAIRLINE))
            painter.drawPolygon(self._filled)
            painter.setPen(QPen(self.theme.held, HAIRLINE))
            painter.drawPolyline(self._held_line)
        blue = mixed(self.measured, self.theme.card, 0.15)
        for bar, top, hold in zip(self._bars, self._tops, self._holds, strict=True):
            if region.intersects(bar):
                painter.fillRect(bar.left(), bar.bottom() + 1 - top, bar.width(), top, blue)
                if hold > 0:
                    painter.fillRect(bar.left(), bar.bottom() + 1 - hold, bar.width(), 2, self.theme.held)

    def take(self, frame: Frame) -> None:
        if self._closer is not None and self._closer.isVisible():
            self._closer.show_frame(frame)
        self._take_thirds(frame)
        fine = frame.vector(self.key("fine"))
        if len(fine) and (told := fine.tobytes()) != self._fine_told:
            self._fine, self._fine_told = fine.copy(), told
            self._take_fine(frame)

    def _take_thirds(self, frame: Frame) -> None:
        middles, now = (frame.vector(self.key(key)) for key in ("third_octave_hz", "third_octave"))
        held = self._held(frame, "third_octave_hold")
        told = (middles.tobytes(), now.tobytes(), held.tobytes())
        if self._bars and told == self._thirds_told:
            return
        self._thirds_told = told
        shown = [float(middle) for middle in middles if middle >= THIRDS_FROM_HZ]
        if shown != self._bar_hz:
            self._bar_hz, self._first_third = shown, len(middles) - len(shown)
            self.rearrange()
        high = self._thirds.height()
        tops, holds = (
            np.rint(scale.straight_places(levels, BOTTOM_DB, TOP_DB)[self._first_third :] * high).astype(int).tolist()
            for levels in (self._tilted(now, middles), self._tilted(held, middles))
        )
        moved = QRect()
        for number, bar in enumerate(self._bars):
            top, hold, top_before, hold_before = tops[number], holds[number], self._tops[number], self._holds[number]
            if top != top_before or hold != hold_before:
                first, last = min(top, hold, top_before, hold_before), max(top, hold, top_before, hold_before)
                moved |= QRect(bar.left(), bar.bottom() + 1 - last, bar.width(), last - first + 2)
        self._tops, self._holds = tops[: len(self._bars)], holds[: len(self._bars)]
        self.update(moved)  # one rectangle: many small ones cost more to manage than to paint

    def _take_fine(self, frame: Frame) -> None:
        """Rebuild the filled shape and the hold line of the low end, one point per frequency."""
        frequencies = frame.vector(self.key("fine_hz"))
        if len(self._fine_x) != len(frequencies):
            places = [self._low_place(float(frequency)) for frequency in frequencies]
            self._fine_x = self._lows.left() + np.array(places) * (self._lows.width() - 1)
        floor = float(self._lows.bottom())
        high = self._lows.height() - 1
        known = np.isfinite(frequencies) & ~np.isnan(self._fine)
        x = self._fine_x[known]
        y = floor - scale.straight_places(self._tilted(self._fine, frequencies)[known], BOTTOM_DB, TOP_DB) * high
        ends = (x[:1], x[-1:])
        self._filled = polygon_of(
            np.concatenate([ends[0], x, ends[1]]), np.concatenate([[floor] * len(ends[0]), y, [floor] * len(ends[1])])
        )
        held = scale.straight_places(
            self._tilted(self._held(frame, "fine_hold"), frequencies)[known], BOTTOM_DB, TOP_DB
        )
        self._held_line = polygon_of(x, floor - held * high)
        self.update(self._lows)

    def take_words(self, frame: Frame) -> None:
        fine, frequencies = frame.vector(self.key("fine")), frame.vector(self.key("fine_hz"))
        if not len(fine) or np.all(np.isnan(fine)):
            self.say("strongest", words.waiting(self.live), "soft")
            return
        if not np.nanmax(fine) >= LEAST_LOW_DB:
            self._low.clear()
            self.say("strongest", "no low end now", "soft")
            return
        frequency = self._low.follow(frequencies, fine, frame.status.elapsed_seconds)
        name = scale.note_name(scale.nearest_note(frequency)) if math.isfinite(frequency) else ""
        self.say("strongest", f"strongest low: {frequency:.0f} Hz, near {name}", "ink" if self.live else "faint")

    def value_text(self) -> str:
        return self.labels["strongest"].text
