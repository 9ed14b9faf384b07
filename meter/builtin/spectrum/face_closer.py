"""Zoom window of the spectrum with a cursor that reads frequency, note and level.

The wheel or a drag with the right button zooms the frequencies, a drag with the left button moves them; levels stay
as they are, so that the curve never leaves the view. One resolution holds for the whole axis: third octaves, or every
hertz in a view that ends at 240 Hz. Opened from the face's menu; it hides with its face, so that "ears only" blanks
it too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pyqtgraph
from numpy.typing import NDArray
from PySide6.QtCore import QEvent, QPointF, Qt
from PySide6.QtGui import QColor
from PySide6.QtWidgets import QDialog, QHBoxLayout, QLabel, QPushButton, QSizePolicy, QVBoxLayout, QWidget

from meter import figures as words
from meter.gui.kit import scale
from meter.gui.kit.dialog_style import dress
from meter.gui.kit.theme import MARK_PX, TEXT_PX, VERDICT_PX, current_theme, font, mixed
from meter.readings import Frame

FloatArray = NDArray[np.float64]

SIZE_PX = (900, 480)
FIRST_HZ, LAST_HZ = 20.0, 22_400.0
LOWEST_DB, BOTTOM_DB, TOP_DB = -140.0, -84.0, 3.0
LOWS_TO_HZ = 240.0
NARROWEST_OCTAVES = 0.25
EVERY_SECONDS = 0.05
HALF_BAND = 2.0 ** (1.0 / 6.0)
"""Half a third octave, as a ratio."""

MARK_ROOM_PX = 52
"""Room for one frequency label."""

OCTAVES_HZ = tuple(scale.nominal_hz(1000.0 * 2.0**step) for step in range(-6, 5))
THIRDS_HZ = tuple(scale.nominal_hz(1000.0 * 2.0 ** (step / 3.0)) for step in range(-17, 14))
STEPS_HZ = (100.0, 50.0, 20.0, 10.0, 5.0, 2.0, 1.0)

POINT_HERE = "Point at the curve to read it. The wheel zooms."
BY_THIRDS, BY_HERTZ = "dBFS, third octaves", "dBFS, every hertz"


@dataclass(frozen=True)
class Curves:
    """Both resolutions of a snapshot: every hertz of the lows, and all third octaves."""

    fine_hz: FloatArray
    fine: FloatArray
    fine_hold: FloatArray
    third_hz: FloatArray
    third: FloatArray
    third_hold: FloatArray

    def words_at(self, frequency_hz: float, *, by_hertz: bool) -> str:
        """Note or band and levels at a frequency, in the resolution that is drawn; "" outside the range."""
        if by_hertz:
            return self._low_words(frequency_hz)
        if not len(self.third_hz):
            return ""
        band = int(np.argmin(np.abs(np.log(self.third_hz / frequency_hz))))
        if not 1.0 / HALF_BAND <= frequency_hz / self.third_hz[band] <= HALF_BAND:
            return ""
        nominal = scale.nominal_hz(float(self.third_hz[band]))
        name = f"{nominal / 1000.0:g} kHz" if nominal >= 1000.0 else f"{nominal:g} Hz"
        return f"third octave at {name}: {_levels(self.third[band], self.third_hold[band])}"

    def _low_words(self, frequency_hz: float) -> str:
        if not len(self.fine_hz) or not self.fine_hz[0] - 1.0 < frequency_hz < self.fine_hz[-1] + 1.0:
            return ""
        place = int(np.argmin(np.abs(self.fine_hz - frequency_hz)))
        note = scale.nearest_note(frequency_hz)
        cents = 1200.0 * math.log2(frequency_hz / scale.note_hz(note))
        pitch = f"{scale.note_name(note)} {words.figure(cents, 0, plus=True)} cents"
        return f"{frequency_hz:.1f} Hz, {pitch}: {_levels(self.fine[place], self.fine_hold[place])}"


def curves_of(frame: Frame, meter_id: str) -> Curves:
    """The curves of a snapshot that this meter measured; "not yet" stays NaN."""
    keys = ("fine_hz", "fine", "fine_hold", "third_octave_hz", "third_octave", "third_octave_hold")
    return Curves(*(frame.vector(f"{meter_id}.{key}").copy() for key in keys))


def marks_hz(low_hz: float, high_hz: float, width_px: float) -> list[float]:
    """Frequencies to label between two limits, as many as fit; octaves and thirds are nominal."""
    best = [mark for mark in OCTAVES_HZ if low_hz <= mark <= high_hz]
    steps = (np.arange(math.ceil(low_hz / step), math.floor(high_hz / step) + 1) * step for step in STEPS_HZ)
    thirds = np.array([mark for mark in THIRDS_HZ if low_hz <= mark <= high_hz])
    octave_px = width_px / math.log2(high_hz / low_hz)
    for marks in (thirds, *steps):
        if len(marks) > max(1, len(best)) and np.diff(np.log2(marks)).min() * octave_px >= MARK_ROOM_PX:
            best = marks.tolist()
    return best


class FrequencyAxis(pyqtgraph.AxisItem):  # type: ignore[misc]  # pyqtgraph has no types
    """Frequency axis, logarithmic, in hertz."""

    def tickValues(self, minVal: float, maxVal: float, size: float) -> list[tuple[float, list[float]]]:
        """Tick positions as powers of ten."""
        return [(1.0, np.log10(marks_hz(10.0**minVal, 10.0**maxVal, size)).tolist())]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        """Tick labels."""
        return [_hertz(10.0**value) for value in values]


class LevelAxis(pyqtgraph.AxisItem):  # type: ignore[misc]  # pyqtgraph has no types
    """Level axis in decibels."""

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        """Tick labels with a true minus sign."""
        return [words.figure(value, 0 if spacing >= 1.0 else 1) for value in values]


def _hertz(frequency_hz: float) -> str:
    return scale.hertz_label(round(frequency_hz, 1))


class CloserLook(QDialog):
    """See the module's description."""

    def __init__(self, meter_id: str, parent: QWidget) -> None:
        super().__init__(parent)
        self._meter_id = meter_id
        self.setWindowTitle("spectrum, zoomed")
        self.resize(*SIZE_PX)
        self._shown_at = math.nan
        self._curves: Curves | None = None
        self._pointer_hz = math.nan
        self._plot = self._make_plot()
        self._held = self._plot.plot(connect="finite")
        self._now = self._plot.plot(connect="finite", fillLevel=LOWEST_DB)
        self._line = pyqtgraph.InfiniteLine(angle=90)
        self._line.hide()
        self._plot.addItem(self._line, ignoreBounds=True)
        self.reading = QLabel(POINT_HERE)
        self.reading.setFont(font(VERDICT_PX))
        self.reading.setTextFormat(Qt.TextFormat.PlainText)
        self.reading.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self._lay_out()
        self._colour()
        self.show_all()

    def show_frame(self, frame: Frame) -> None:
        """Draw a snapshot, 20 times a second of audio at most."""
        since = frame.status.elapsed_seconds - self._shown_at
        if 0.0 <= since < EVERY_SECONDS:
            return
        self._shown_at = frame.status.elapsed_seconds
        self._curves = curves_of(frame, self._meter_id)
        self._draw()

    @property
    def by_hertz(self) -> bool:
        """Whether the view is of the lows alone, in which every hertz is drawn."""
        return bool(10.0 ** self._plot.getViewBox().viewRange()[0][1] < LOWS_TO_HZ + 0.5)

    def _draw(self) -> None:
        """Both curves in the resolution of the view."""
        by_hertz, curves = self.by_hertz, self._curves
        self._drawn_by_hertz = by_hertz
        self._plot.setLabel("left", BY_HERTZ if by_hertz else BY_THIRDS)
        if curves is None:
            return
        steps_hz = np.append(curves.third_hz / HALF_BAND, curves.third_hz[-1:] * HALF_BAND)
        for line, fine, third in (
            (self._now, curves.fine, curves.third),
            (self._held, curves.fine_hold, curves.third_hold),
        ):
            if by_hertz:
                line.setData(curves.fine_hz, np.maximum(fine, LOWEST_DB))
            else:
                # Steps from band edge to band edge, as points because the axis is logarithmic.
                line.setData(np.repeat(steps_hz, 2)[1:-1], np.repeat(np.maximum(third, LOWEST_DB), 2))
        self._tell()

    def _draw_if_other(self) -> None:
        """Draw again at once when the view asks for the other resolution."""
        if hasattr(self, "_drawn_by_hertz") and self._drawn_by_hertz != self.by_hertz:
            self._draw()

    def show_all(self) -> None:
        """Show 20 Hz to 22.4 kHz."""
        self._look_at(FIRST_HZ, LAST_HZ)

    def show_lows(self) -> None:
        """Show the low end only."""
        self._look_at(FIRST_HZ, LOWS_TO_HZ)

    def point_at(self, frequency_hz: float) -> None:
        """Put the cursor at a frequency; NaN removes it."""
        self._pointer_hz = frequency_hz
        inside = FIRST_HZ <= frequency_hz <= LAST_HZ
        self._line.setVisible(inside)
        if inside:
            self._line.setValue(math.log10(frequency_hz))
        self._tell()

    def changeEvent(self, event: QEvent) -> None:
        """Apply the colours of a new theme."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.PaletteChange and hasattr(self, "reading"):
            self._colour()

    def _make_plot(self) -> pyqtgraph.PlotWidget:
        axes = {"bottom": FrequencyAxis("bottom"), "left": LevelAxis("left")}
        plot = pyqtgraph.PlotWidget(enableMenu=False, axisItems=axes)
        plot.hideButtons()
        plot.setLogMode(x=True)
        plot.setLimits(
            xMin=math.log10(FIRST_HZ),
            xMax=math.log10(LAST_HZ),
            yMin=LOWEST_DB,
            yMax=TOP_DB,
            minXRange=NARROWEST_OCTAVES * math.log10(2.0),
        )
        plot.setMouseEnabled(x=True, y=False)
        plot.getViewBox().sigXRangeChanged.connect(lambda *_: self._draw_if_other())
        plot.showGrid(x=True, y=True, alpha=0.2)
        plot.setLabel("bottom", "Hz")
        plot.setAccessibleName("spectrum")
        plot.scene().sigMouseMoved.connect(self._moved)
        return plot

    def _lay_out(self) -> None:
        feet = QHBoxLayout()
        feet.addWidget(self.reading, 1)
        for text, act in (("low end", self.show_lows), ("full range", self.show_all), ("close", self.close)):
            button = QPushButton(text)
            button.setFont(font(TEXT_PX))
            button.setAutoDefault(False)
            button.clicked.connect(act)
            feet.addWidget(button)
        column = QVBoxLayout(self)
        column.addWidget(self._plot, 1)
        column.addLayout(feet)

    def _colour(self) -> None:
        theme = current_theme()
        dress(self)
        self._plot.setBackground(theme.card)
        self._now.setPen(pyqtgraph.mkPen(theme.measured))
        self._now.setBrush(mixed(theme.card, theme.measured, 0.3))
        self._held.setPen(pyqtgraph.mkPen(theme.held))
        self._line.setPen(pyqtgraph.mkPen(theme.soft))
        for side in ("bottom", "left"):
            axis = self._plot.getAxis(side)
            axis.setPen(QColor(theme.line))
            axis.setTextPen(QColor(theme.soft))
            axis.setTickFont(font(MARK_PX))

    def _look_at(self, low_hz: float, high_hz: float) -> None:
        self._plot.setXRange(math.log10(low_hz), math.log10(high_hz), padding=0.0)
        self._plot.setYRange(BOTTOM_DB, TOP_DB, padding=0.0)

    def _moved(self, place: QPointF) -> None:
        view = self._plot.getViewBox()
        over = view.sceneBoundingRect().contains(place)
        self.point_at(10.0 ** view.mapSceneToView(place).x() if over else math.nan)

    def _tell(self) -> None:
        known = self._curves is not None and not math.isnan(self._pointer_hz)
        told = ""
        if known and self._curves is not None:
            told = self._curves.words_at(self._pointer_hz, by_hertz=self.by_hertz)
        self.reading.setText(told or POINT_HERE)


def _levels(now: float, held: float) -> str:
    return f"now {words.figure(float(now))}, hold {words.with_unit(float(held), 'dBFS')}"
