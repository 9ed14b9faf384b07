"""Which channel is what: every channel's level beside the name of its feed. Solo a track, and one of them moves."""

from __future__ import annotations

import math
from collections.abc import Sequence

from PySide6.QtCore import QRect, QSize, Qt, Signal, SignalInstance
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from meter.feeds import MIX, OFFERED_NAMES, FeedMap, FeedMapError, feed_map
from meter.gui.kit.theme import SUBTITLE_PX, TEXT_PX, TITLE_PX, current_theme, font
from meter.gui.kit.widgets import ElidedLine, KeyButton, Paragraph
from meter.plugin.services import CHANNEL_LEVEL
from meter.readings import Frame

WIDTH_PX, HEIGHT_PX = 620, 640
BAR_SIZE = QSize(170, 14)
BOTTOM_DBFS = -60.0
SOUNDS_DBFS = -60.0
EDGE_PX = 14
HOW = (
    "Play, and solo one track after another: the channel that moves is that track. Give it a name. Two channels of "
    "one name are a stereo part, left first; what has no name is not measured."
)
NOTHING = "–"


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


class ChannelRow:
    """The widgets of one channel."""

    def __init__(self, number: int, name: str) -> None:
        self.number = number
        self.label = QLabel(f"{number}")
        self.label.setFont(font(TEXT_PX, bold=True))
        self.name = ElidedLine(SUBTITLE_PX)
        self.name.say(name)
        self.bar = LevelBar()
        self.word = QLabel("")
        self.word.setFont(font(SUBTITLE_PX))
        self.word.setFixedWidth(60)
        self.feed = QComboBox()
        self.feed.setEditable(True)
        self.feed.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
        self.feed.addItems([NOTHING, MIX, *OFFERED_NAMES])
        self.feed.setAccessibleName(f"feed of channel {number}")
        self.feed.setMaxVisibleItems(len(OFFERED_NAMES) + 2)

    @property
    def widgets(self) -> tuple[QWidget, ...]:
        """All of it, from left to right."""
        return (self.label, self.name, self.bar, self.word, self.feed)

    @property
    def wanted(self) -> str:
        """The feed's name, empty for none."""
        text = self.feed.currentText().strip()
        return "" if text == NOTHING else text

    def show_level(self, level_dbfs: float) -> None:
        """Level and a word that says the same without colour."""
        self.bar.show_level(level_dbfs)
        word = "signal" if level_dbfs > SOUNDS_DBFS else ""
        if word != self.word.text():
            self.word.setText(word)


class ChannelFinder(QDialog):
    """``map_chosen`` carries a FeedMap, or None when all is to be mix; files are dealt with around it.

    ``meter_id`` is the meter that reads the level of each channel.
    """

    map_chosen = Signal(object)
    open_asked = Signal()
    save_asked = Signal(object)

    def __init__(self, parent: QWidget, meter_id: str = "") -> None:
        super().__init__(parent)
        self._levels = f"{meter_id}.{CHANNEL_LEVEL}"
        self.setWindowTitle("name the feeds")
        self.resize(WIDTH_PX, HEIGHT_PX)
        self.rows: list[ChannelRow] = []
        self._names: tuple[str, ...] = ()
        self._usual_job = ""
        self.job = QLineEdit()
        self.job.setAccessibleName("name of the set-up")
        self.sentence = Paragraph("", "ink")
        self.use = KeyButton("apply", outlined=True)
        self.save_as = KeyButton("save as…", outlined=True)
        self.open_file = KeyButton("open…", outlined=True)
        self.forget = KeyButton("all channels are the mix", outlined=True)
        self.leave = KeyButton("close", outlined=True)
        self._grid = QGridLayout()
        self._arrange()
        self._connect()

    def _arrange(self) -> None:
        title = QLabel("name the feeds")
        title.setFont(font(TITLE_PX, bold=True))
        inner = QWidget()
        inner.setLayout(self._grid)
        self._grid.setColumnStretch(2, 1)
        self._grid.setColumnMinimumWidth(1, 90)
        self._grid.setVerticalSpacing(4)
        scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setFrameShape(QFrame.Shape.NoFrame)
        scroll.setWidget(inner)
        job = QHBoxLayout()
        job.addWidget(QLabel("set-up"))
        job.addWidget(self.job, 1)
        job.addWidget(self.open_file)
        job.addWidget(self.save_as)
        feet = QHBoxLayout()
        feet.addWidget(self.forget)
        feet.addStretch(1)
        feet.addWidget(self.leave)
        feet.addWidget(self.use)
        column = QVBoxLayout(self)
        column.setContentsMargins(EDGE_PX, EDGE_PX, EDGE_PX, EDGE_PX)
        column.addWidget(title)
        column.addWidget(Paragraph(HOW, "soft"))
        column.addWidget(scroll, 1)
        column.addLayout(job)
        column.addWidget(self.sentence)
        column.addLayout(feet)

    def _connect(self) -> None:
        self.use.clicked.connect(self._use)
        self.save_as.clicked.connect(self._save)
        self.open_file.clicked.connect(self.open_asked)
        self.forget.clicked.connect(lambda: self.map_chosen.emit(None))
        self.leave.clicked.connect(self.close)

    def bring_up(self, channels: Sequence[int], feeds: FeedMap | None, usual_job: str) -> None:
        """Show these channels, numbered from 1, with the feeds they have now.

        ``usual_job`` is the name of a map that has none.
        """
        self._usual_job = usual_job
        self._make_rows(channels)
        self.show_map(feeds)
        self.say("" if channels else "No source is open; choose one first.")
        self.show()
        self.raise_()

    def show_map(self, feeds: FeedMap | None) -> None:
        """Put the names of a map to its channels."""
        named = {} if feeds is None else dict.fromkeys(feeds.mix, MIX)
        for name, numbers in feeds.parts.items() if feeds is not None else ():
            named |= dict.fromkeys(numbers, name)
        for row in self.rows:
            row.feed.setCurrentText(named.get(row.number, NOTHING))
        self.job.setText(feeds.name if feeds is not None and feeds.name else self._usual_job)
        self.say("")

    def say(self, sentence: str) -> None:
        """One sentence under the list; empty for none."""
        self.sentence.setText(sentence)
        self.sentence.setVisible(bool(sentence))

    def show_frame(self, frame: Frame) -> None:
        """Move the bars."""
        if frame.layout.channel_names != self._names:
            self._names = frame.layout.channel_names
            for column, row in enumerate(self.rows):
                row.name.say(self._names[column] if column < len(self._names) else "")
        levels = frame.vector(self._levels)
        for column, row in enumerate(self.rows):
            row.show_level(float(levels[column]) if column < len(levels) else math.nan)

    def feeds(self) -> FeedMap:
        """The map as it stands in the dialog; raises FeedMapError with one sentence."""
        mix: list[int] = []
        parts: dict[str, list[int]] = {}
        for row in self.rows:
            if row.wanted.casefold() == MIX:
                mix.append(row.number)
            elif row.wanted:
                parts.setdefault(row.wanted, []).append(row.number)
        return feed_map(self.job.text().strip() or self._usual_job, mix, parts)

    def _use(self) -> None:
        self._hand_on(self.map_chosen)

    def _save(self) -> None:
        self._hand_on(self.save_asked)

    def _hand_on(self, signal: SignalInstance) -> None:
        try:
            feeds = self.feeds()
        except FeedMapError as error:
            self.say(str(error))
            return
        self.say("")
        signal.emit(feeds)

    def _make_rows(self, channels: Sequence[int]) -> None:
        if [row.number for row in self.rows] == list(channels):
            return
        for row in self.rows:
            for old in row.widgets:
                old.setParent(None)
                old.deleteLater()
        self._names = ()
        self.rows = [ChannelRow(number, "") for number in channels]
        for place, row in enumerate(self.rows):
            for column, widget in enumerate(row.widgets):
                self._grid.addWidget(widget, place, column, Qt.AlignmentFlag.AlignVCenter)
        self._grid.setRowStretch(len(self.rows), 1)
