"""The dialog in which the level at the seat is entered. It plays nothing; it measures the feed and computes."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date
from pathlib import Path

from PySide6.QtCore import Signal
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QVBoxLayout,
    QWidget,
)

from meter.gui.seat_level import Steadiness, a_minus_c_db, offset_db, typed_level
from meter.gui.small_parts import KeyButton, Paragraph
from meter.gui.theme import TEXT_PX, TITLE_PX, font
from meter.gui.words import with_unit
from meter.readings import Frame
from meter.settings import Calibration

WIDTH_PX = 640
FEED_KEY = "listening.feed_now"
REFERENCE_DBFS = -20.0
BEST_DOUBT_DB = 3
"""What is left with a good meter, the same seat and an untouched monitor control (common practice, no source)."""

STEPS = (
    "1.  Turn the monitors down. Save the test noise as a file, put it on a track of your DAW and let nothing else "
    "play. The noise is at −20 dBFS rms, the same on both channels.",
    "2.  Turn the monitors up slowly to the level you mix at, and leave the control there.",
    "3.  Hold a sound level meter where your head is, set to slow. A meter of a stated class (IEC 61672-1) is "
    "needed; a telephone is a guess.",
    "4.  Type what it shows. The feed is measured here at the same time.",
)
NOISES = (("pink noise, 500 Hz to 2 kHz", "band"), ("pink noise, 20 Hz to 20 kHz", "wide"))
WEIGHTINGS = (("A", "A"), ("C", "C"))


class CalibrationDialog(QDialog):
    """Non-modal. ``calibrated`` carries a ``Calibration``; ``forgotten`` asks to drop the one of this source.

    ``write_noise(path, kind)`` saves the test noise and returns an empty string or one sentence.
    """

    calibrated = Signal(object)
    forgotten = Signal()

    def __init__(
        self,
        write_noise: Callable[[Path, str], str] | None,
        today: Callable[[], date] = date.today,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self._write_noise = write_noise
        self._today = today
        self._source = ""
        self._steady = Steadiness()
        self.noise = _choice(NOISES, "noise that plays")
        self.weighting = _choice(WEIGHTINGS, "weighting of the sound level meter")
        self.typed = QLineEdit()
        self.feed = Paragraph(size_px=TEXT_PX)
        self.outcome = Paragraph(size_px=TEXT_PX)
        self.save_noise = KeyButton("save the test noise as a file…", outlined=True)
        self.use = KeyButton("use this level", outlined=True)
        self.forget = KeyButton("forget the calibration", outlined=True)
        self.leave = KeyButton("close", outlined=True)
        self._arrange()
        self._connect()
        self._refresh()

    def _arrange(self) -> None:
        self.setWindowTitle("level at the seat")
        self.setFixedWidth(WIDTH_PX)
        title = QLabel("What is the level where you sit?")
        title.setFont(font(TITLE_PX + 2, bold=True))
        self.typed.setPlaceholderText("for example 78.5")
        self.typed.setAccessibleName("what the sound level meter shows, in dB")
        form = QFormLayout()
        form.addRow("the noise that plays", self.noise)
        form.addRow("the meter is set to", self.weighting)
        form.addRow("it shows, in dB", self.typed)
        feet = QHBoxLayout()
        feet.addWidget(self.save_noise)
        feet.addStretch(1)
        for button in (self.forget, self.leave, self.use):
            feet.addWidget(button)
        column = QVBoxLayout(self)
        column.setContentsMargins(24, 20, 24, 20)
        column.setSpacing(10)
        column.addWidget(title)
        for step in STEPS:
            column.addWidget(Paragraph(step, size_px=TEXT_PX))
        column.addLayout(form)
        column.addWidget(self.feed)
        column.addWidget(self.outcome)
        column.addLayout(feet)

    def _connect(self) -> None:
        for choice in (self.noise, self.weighting):
            choice.currentIndexChanged.connect(self._refresh)
        self.typed.textChanged.connect(self._refresh)
        self.typed.returnPressed.connect(self._use)
        self.save_noise.clicked.connect(self._ask_where)
        self.use.clicked.connect(self._use)
        self.forget.clicked.connect(self._forget)
        self.leave.clicked.connect(self.close)
        self.save_noise.setVisible(self._write_noise is not None)

    def bring_up(self, source: str, *, known: bool) -> None:
        """Open for one source; ``known`` says that it has a calibration already."""
        self._source = source
        self._steady.clear()
        self.typed.clear()
        self.forget.setVisible(known)
        self._refresh()
        self.show()
        self.raise_()
        self.typed.setFocus()

    def show_frame(self, frame: Frame) -> None:
        """Follow the level of the feed; called for every new snapshot while the dialog is open."""
        status = frame.status
        if status.state != "running":
            self._steady.clear()
        else:
            self._steady.add(status.elapsed_seconds, frame.number(FEED_KEY))
        self._refresh()

    def _refresh(self) -> None:
        feed, sentence = self._feed()
        _say(self.feed, sentence or f"Feed: steady at {with_unit(feed, 'dBFS(A)')}.")
        found = self._offset(feed)
        self.use.setEnabled(found is not None)
        _say(self.outcome, self._outcome_words(found))

    def _feed(self) -> tuple[float, str]:
        try:
            return self._steady.level(), ""
        except ValueError as error:
            return math.nan, str(error)

    def _offset(self, feed: float) -> float | None:
        try:
            typed = typed_level(self.typed.text())
        except ValueError:
            return None
        if math.isnan(feed) or not self._source:
            return None
        return offset_db(typed, self.weighting.currentData(), self.noise.currentData(), feed)

    def _outcome_words(self, found: float | None) -> str:
        difference = abs(a_minus_c_db(self.noise.currentData()))
        c_words = f" Set to C it reads {difference:.1f} dB more than in A on this noise; that is taken out."
        about_c = c_words if self.weighting.currentData() == "C" else ""
        if found is None:
            try:
                typed_level(self.typed.text())
            except ValueError as error:
                return str(error) + about_c if self.typed.text() else about_c.strip()
            return about_c.strip()
        seat = REFERENCE_DBFS + found
        return (
            f"A feed at {with_unit(REFERENCE_DBFS, 'dBFS(A)', 0)} will be taken as about {seat:.0f} dB(A) at the "
            f"seat: an estimate, within {BEST_DOUBT_DB} dB at best, while the monitor control stays.{about_c}"
        )

    def _use(self) -> None:
        feed, _ = self._feed()
        found = self._offset(feed)
        if found is None:
            return
        kept = Calibration(
            source=self._source,
            offset_db=round(found, 2),
            measured_on=self._today().isoformat(),
            typed_db=typed_level(self.typed.text()),
            weighting=self.weighting.currentData(),
            noise=self.noise.currentData(),
        )
        self.close()
        self.calibrated.emit(kept)

    def _forget(self) -> None:
        self.close()
        self.forgotten.emit()

    def _ask_where(self) -> None:
        kind = self.noise.currentData()
        path, _ = QFileDialog.getSaveFileName(
            self, "save the test noise", f"test-noise-{kind}.wav", "Sound files (*.wav)"
        )
        if path:
            self.write_noise_to(Path(path))

    def write_noise_to(self, path: Path) -> None:
        """Save the chosen test noise and say what came of it."""
        if self._write_noise is None:
            return
        sentence = self._write_noise(path, self.noise.currentData())
        _say(self.outcome, sentence or f"Saved as {path.name}. Turn the monitors down before you play it.")


def _choice(items: tuple[tuple[str, str], ...], name: str) -> QComboBox:
    box = QComboBox()
    box.setAccessibleName(name)
    for words, value in items:
        box.addItem(words, value)
    return box


def _say(label: QLabel, text: str) -> None:
    if label.text() != text:
        label.setText(text)
