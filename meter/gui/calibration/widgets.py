"""What the pages of the calibration are made of: choices, fields, the line of steps, and the row that plays noise."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QComboBox, QFormLayout, QHBoxLayout, QLineEdit, QSizePolicy, QVBoxLayout, QWidget

from meter.calibration.noise_levels import CAP_DBFS_RMS, START_DBFS_RMS
from meter.figures import figure
from meter.gui.kit.fields import Choice, TextField
from meter.gui.kit.theme import SUBTITLE_PX, TEXT_PX, current_theme, font
from meter.gui.kit.widgets import KeyButton, Paragraph, TintedLabel

FIELD_WIDTH_PX = 190
STEP_GAP_PX = 18
BAR_SIZE = QSize(150, 12)
PLAY, STOP = "play the noise, softly", "stop the noise"


def choice(items: Sequence[tuple[str, object]], name: str) -> QComboBox:
    """A box of words and what they stand for."""
    box = Choice()
    box.setAccessibleName(name)
    box.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
    for words, value in items:
        box.addItem(words, value)
    return box


def field(name: str, example: str = "") -> QLineEdit:
    """A short line to type a figure into."""
    line = TextField()
    line.setAccessibleName(name)
    line.setPlaceholderText(example)
    line.setFixedWidth(FIELD_WIDTH_PX)
    return line


def form() -> QFormLayout:
    """Rows of a name and a field."""
    made = QFormLayout()
    made.setHorizontalSpacing(16)
    made.setVerticalSpacing(8)
    made.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
    made.setLabelAlignment(Qt.AlignmentFlag.AlignLeft)
    return made


def say(label: Paragraph, text: str, role: str | None = None) -> None:
    """Change a paragraph, only where it changes."""
    if role is not None:
        label.tint(role)
    if label.text() != text:
        label.setText(text)
    label.setVisible(bool(text))


class StepLine(QWidget):
    """The steps in a row; the present one is bright and underlined, those done carry what was typed."""

    def __init__(self) -> None:
        super().__init__()
        self._row = QHBoxLayout(self)
        self._row.setContentsMargins(0, 0, 0, 0)
        self._row.setSpacing(STEP_GAP_PX)
        self._labels: list[TintedLabel] = []

    def show_steps(self, steps: Sequence[tuple[str, str]], at: int) -> None:
        """Name of each step and what was typed there; ``at`` is the present one."""
        while len(self._labels) < len(steps):
            label = TintedLabel(TEXT_PX, "faint")
            self._labels.append(label)
            self._row.insertWidget(len(self._labels) - 1, label)
        if self._row.count() == len(self._labels):
            self._row.addStretch(1)
        for number, label in enumerate(self._labels):
            label.setVisible(number < len(steps))
            if number >= len(steps):
                continue
            name, typed = steps[number]
            label.setText(f"{name} {typed}".strip())
            used = font(TEXT_PX, bold=number == at)
            used.setUnderline(number == at)
            label.setFont(used)
            label.tint("ink" if number == at else "soft" if typed else "faint")
        self.setAccessibleName(f"step {at + 1} of {len(steps)}: {steps[at][0]}")


class LevelBar(QWidget):
    """How far the noise has risen between its start and its cap."""

    def __init__(self) -> None:
        super().__init__()
        self._share = 0.0
        self.setFixedSize(BAR_SIZE)

    def show_level(self, level_dbfs: float | None) -> None:
        """A level in dBFS rms, None while nothing plays."""
        share = 0.0 if level_dbfs is None else (level_dbfs - START_DBFS_RMS) / (CAP_DBFS_RMS - START_DBFS_RMS)
        self._share = min(1.0, max(0.0, share))
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        theme = current_theme()
        painter = QPainter(self)
        painter.fillRect(self.rect(), theme.trough)
        wide = round(self._share * self.width())
        painter.fillRect(0, 0, wide, self.height(), theme.measured)
        painter.setPen(theme.line)
        painter.drawRect(self.rect().adjusted(0, 0, -1, -1))


class PlayRow(QWidget):
    """The button that plays and stops the noise, the level it has, and one that keeps it there."""

    play_pressed = Signal()
    stop_pressed = Signal()
    hold_toggled = Signal(bool)

    def __init__(self) -> None:
        super().__init__()
        self.button = KeyButton(PLAY, outlined=True)
        self.hold = KeyButton("stay at this level", checkable=True, outlined=True)
        self.bar = LevelBar()
        self.words = Paragraph(size_px=SUBTITLE_PX, role="soft")
        self._playing = False
        row = QHBoxLayout()
        row.setSpacing(10)
        for widget in (self.button, self.bar, self.hold):
            row.addWidget(widget)
        row.addStretch(1)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(6)
        column.addLayout(row)
        column.addWidget(self.words)
        self.button.clicked.connect(lambda: (self.stop_pressed if self._playing else self.play_pressed).emit())
        self.hold.toggled.connect(self.hold_toggled)
        self.show_off("")

    def show_off(self, sentence: str, *, may_play: bool = True) -> None:
        """Nothing plays; ``sentence`` says why where that is not plain."""
        self._playing = False
        self.button.setText(PLAY)
        self.button.setAccessibleName(PLAY)
        self.button.setEnabled(may_play)
        self.button.updateGeometry()
        self.hold.setChecked(False)
        self.hold.setEnabled(False)
        self.bar.show_level(None)
        usual = (
            f"It begins at {figure(START_DBFS_RMS, 0)} dBFS and rises for 20 s to {figure(CAP_DBFS_RMS, 0)} "
            "dBFS rms, no further. Space or Esc stops it at once."
        )
        say(self.words, sentence or usual, "ink" if sentence else "soft")

    def show_playing(self, level_dbfs: float | None, *, rising: bool) -> None:
        """The noise plays at this level; None before the first word of the child."""
        self._playing = True
        self.button.setText(STOP)
        self.button.setAccessibleName(f"{STOP}: Space or Esc")
        self.button.setEnabled(True)
        self.button.updateGeometry()
        self.hold.setEnabled(level_dbfs is not None and (rising or self.hold.isChecked()))
        self.bar.show_level(level_dbfs)
        if level_dbfs is None:
            say(self.words, "starting…", "soft")
            return
        going = f", rising to {figure(CAP_DBFS_RMS, 0)}" if rising else ""
        say(self.words, f"playing at {figure(level_dbfs, 0)} dBFS rms{going}; Space or Esc stops it", "ink")
