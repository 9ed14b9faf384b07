"""One channel in the channel finder: its number, its level, the name of its feed, and the stage it lies at."""

from __future__ import annotations

import math
from collections.abc import Sequence

from PySide6.QtCore import QEvent, QObject, QRect, QSize, Qt, QTimer
from PySide6.QtGui import QPainter, QPaintEvent, QWheelEvent
from PySide6.QtWidgets import QComboBox, QLineEdit, QSizePolicy, QWidget

from meter.feeds import MIX, OFFERED_NAMES, OFFERED_PAIRS, SIDES
from meter.gui.kit.fields import Choice
from meter.gui.kit.theme import SUBTITLE_PX, TEXT_PX, current_theme
from meter.gui.kit.widgets import ElidedLine, TintedLabel
from meter.gui.source.moving import SIGNAL_DBFS

BAR_SIZE = QSize(120, 14)
ROW_PX = 34
NUMBER_PX, NAME_PX, WORD_PX, FEED_PX, STAGE_PX = 28, 90, 54, 170, 240
BOTTOM_DBFS = -60.0
NOTHING = "–"
BETWEEN = ", "
"""Between the stages of a channel that is after one and before another."""


class LevelBar(QWidget):
    """A level in dBFS as a bar; it repaints only when it moves by half a pixel or more."""

    def __init__(self) -> None:
        super().__init__()
        self._length = 0
        self.setFixedHeight(BAR_SIZE.height())
        self.setMinimumWidth(BAR_SIZE.width())
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)

    def show_level(self, level_dbfs: float) -> None:
        """Move the bar; what is no number shows none."""
        share = 0.0 if math.isnan(level_dbfs) else (max(level_dbfs, BOTTOM_DBFS) - BOTTOM_DBFS) / -BOTTOM_DBFS
        length = round(min(1.0, share) * self.width())
        if length != self._length:
            self._length = length
            self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        theme = current_theme()
        painter = QPainter(self)
        painter.fillRect(self.rect(), theme.trough)
        painter.fillRect(QRect(0, 0, self._length, self.height()), theme.measured)


class ChannelName(Choice):
    """A name that is taken as it is typed; the usual ones are offered in the list. Empty is no name."""

    def __init__(self, accessible_name: str, offered: Sequence[str], width_px: int) -> None:
        super().__init__()
        self.setEditable(True)
        self.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
        self.addItems([NOTHING, *offered])
        self.setCompleter(None)  # type: ignore[arg-type]  # it would complete what is typed to an offered name
        self.setAccessibleName(accessible_name)
        self.setMaxVisibleItems(len(offered) + 1)
        self.setFixedWidth(width_px)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.typed.setPlaceholderText(NOTHING)
        self.typed.installEventFilter(self)
        self.activated.connect(lambda _: self.call(self.called))
        self.call("")

    @property
    def typed(self) -> QLineEdit:
        """The line in which the name is typed."""
        line = self.lineEdit()
        assert line is not None
        return line

    @property
    def called(self) -> str:
        """The name, empty for none."""
        text = self.currentText().strip()
        return "" if text == NOTHING else text

    def call(self, name: str) -> None:
        """Put a name in, its beginning in sight."""
        self.setEditText(name)
        self.typed.setCursorPosition(0)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Select the old name when the line is entered, so that typing replaces it."""
        if event.type() == QEvent.Type.FocusIn:
            QTimer.singleShot(0, self.typed.selectAll)
        return super().eventFilter(watched, event)

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Leave the wheel to the list of channels: scrolling must not change a name."""
        event.ignore()


class ChannelRow:
    """The widgets of one channel, from left to right."""

    def __init__(self, number: int) -> None:
        self.number = number
        self.label = TintedLabel(TEXT_PX, "soft", bold=True)
        self.label.setText(f"{number}")
        self.label.setFixedWidth(NUMBER_PX)
        self.name = ElidedLine(SUBTITLE_PX)
        self.name.hide()
        self.bar = LevelBar()
        self.word = TintedLabel(SUBTITLE_PX, "soft")
        self.word.setFixedWidth(WORD_PX)
        self.feed = ChannelName(f"feed of channel {number}", (MIX, *OFFERED_NAMES), FEED_PX)
        stages = [f"{side}{name}" for name in OFFERED_PAIRS for side in SIDES]
        self.stage = ChannelName(f"stage that channel {number} lies before or after", stages, STAGE_PX)
        self._moves = False

    def show_name(self, name: str) -> None:
        """The system's name of the channel; without one the bar gets the room."""
        self.name.say(name)
        self.name.setFixedWidth(NAME_PX)
        self.name.setVisible(bool(name))

    @property
    def widgets(self) -> tuple[QWidget, ...]:
        """All of it, from left to right."""
        return (self.label, self.name, self.bar, self.word, self.feed, self.stage)

    @property
    def wanted(self) -> str:
        """The feed's name, empty for none."""
        return self.feed.called

    @property
    def stages(self) -> tuple[str, ...]:
        """``before NAME`` or ``after NAME`` for each stage the channel lies at, as typed."""
        return tuple(text for part in self.stage.called.split(BETWEEN.strip()) if (text := part.strip()))

    def lie_at(self, stages: Sequence[str]) -> None:
        """Put in the stages that the channel lies at."""
        self.stage.call(BETWEEN.join(dict.fromkeys(stages)))

    def show_level(self, level_dbfs: float, *, moves: bool) -> None:
        """Level, and a word that says the same without colour: ``moves``, ``signal`` or none."""
        self.bar.show_level(level_dbfs)
        word = "moves" if moves else "signal" if level_dbfs > SIGNAL_DBFS else ""
        if word != self.word.text():
            self.word.setText(word)
        if moves != self._moves:
            self._moves = moves
            for label in (self.label, self.word):
                label.tint("ink" if moves else "soft")
