"""Which channel is what: every channel's level beside the name of its feed. Solo a track, and its channels move."""

from __future__ import annotations

import math
from collections.abc import Sequence

from PySide6.QtCore import Qt, Signal, SignalInstance
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QDialog,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from meter.feeds import MIX, SIDES, FeedMap, FeedMapError, feed_map, pairs_of, stages_of
from meter.gui.kit.fields import TextField
from meter.gui.kit.theme import SUBTITLE_PX, TITLE_PX, font
from meter.gui.kit.widgets import KeyButton, Paragraph, TintedLabel
from meter.gui.source.channel_row import ROW_PX, ChannelRow
from meter.gui.source.moving import Moving, moving_words
from meter.plugin.services import CHANNEL_LEVEL
from meter.readings import Frame

WIDTH_PX, HEIGHT_PX = 810, 640
EDGE_PX = 14
MOST_OF_A_PART = 2
HOW = (
    "Play, and solo one track after another: its channels move. Type its name and press Return. Two channels of one "
    "name are a stereo part, left first; what has no name is not measured. On the channels into a stage write "
    "“before NAME”, on those out of it “after NAME”."
)
HEADS = {4: "feed", 5: "before or after a stage"}
NOT_HERE = "The set-up also has {}, which this source has not; its file stays as it is."
NO_SOURCE = "No source is open; choose one first."
TOO_MANY_MOVE = "{} channels move, and a part has one or two; name the mix first, or type into rows."
NOTHING_MOVES = "No channel moves, so there is nothing to name; play and solo a track, or type into a row."


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
        self._moving = Moving()
        self._moved: tuple[int, ...] = ()
        self.job = TextField()
        self.job.setAccessibleName("name of the set-up")
        self.moves = Paragraph("", "ink")
        self.called = TextField()
        self.called.setPlaceholderText("its name")
        self.called.setAccessibleName("name of what moves")
        self.sentence = Paragraph("", "ink")
        self.name_it = KeyButton("name it", "↵", outlined=True)
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
        self._grid.setContentsMargins(0, 0, 8, 0)
        self._grid.setVerticalSpacing(0)
        self._grid.setHorizontalSpacing(10)
        for place, words in HEADS.items():
            head = TintedLabel(SUBTITLE_PX, "soft")
            head.setText(words)
            self._grid.addWidget(head, 0, place)
        scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setFrameShape(QFrame.Shape.NoFrame)
        scroll.setWidget(inner)
        column = QVBoxLayout(self)
        column.setContentsMargins(EDGE_PX, EDGE_PX, EDGE_PX, EDGE_PX)
        column.addWidget(title)
        column.addWidget(Paragraph(HOW, "soft"))
        column.addLayout(_beside(self.moves, self.called, self.name_it, wide=0))
        column.addWidget(scroll, 1)
        column.addLayout(_beside(QLabel("set-up"), self.job, self.open_file, self.save_as, wide=1))
        column.addWidget(self.sentence)
        feet = _beside(self.forget, self.leave, self.use)
        feet.insertStretch(1, 1)
        column.addLayout(feet)
        self.called.setFixedWidth(190)

    def _connect(self) -> None:
        self.name_it.clicked.connect(self._name_what_moves)
        self.called.returnPressed.connect(self._name_what_moves)
        self.use.clicked.connect(lambda: self._hand_on(self.map_chosen))
        self.save_as.clicked.connect(lambda: self._hand_on(self.save_asked))
        self.open_file.clicked.connect(self.open_asked)
        self.forget.clicked.connect(lambda: self.map_chosen.emit(None))
        self.leave.clicked.connect(self.close)

    def bring_up(self, channels: Sequence[int], feeds: FeedMap | None, usual_job: str) -> None:
        """Show these channels, numbered from 1, with the feeds they have now.

        ``usual_job`` is the name of a map that has none.
        """
        self._usual_job = usual_job
        self._moving = Moving()
        self._make_rows(channels)
        self.show_map(feeds)
        self._say_what_moves(())
        if not channels:
            self.say(NO_SOURCE)
        self.show()
        self.raise_()
        self.called.setFocus()

    def show_map(self, feeds: FeedMap | None) -> None:
        """Put the names of a map to its channels."""
        named = {} if feeds is None else dict.fromkeys(feeds.mix, MIX)
        for name, numbers in feeds.parts.items() if feeds is not None else ():
            named |= dict.fromkeys(numbers, name)
        stages = stages_of({} if feeds is None else feeds.pairs)
        for row in self.rows:
            row.feed.call(named.get(row.number, ""))
            row.lie_at(stages.get(row.number, ()))
        self.job.setText(feeds.name if feeds is not None and feeds.name else self._usual_job)
        everything = {number: [name] for number, name in named.items()}
        for number, names in stages.items():
            everything.setdefault(number, []).extend(names)
        absent = sorted(everything.keys() - {row.number for row in self.rows})
        told = ", ".join(f"{name} on channel {number}" for number in absent for name in everything[number])
        self.say(NOT_HERE.format(told) if absent else "")

    def say(self, sentence: str) -> None:
        """One sentence under the list; empty for none."""
        self.sentence.setText(sentence)
        self.sentence.setVisible(bool(sentence))

    def show_frame(self, frame: Frame) -> None:
        """Move the bars; a snapshot of other channels, from before these were opened, moves none."""
        levels = frame.vector(self._levels)
        if len(levels) != len(self.rows):
            return
        if frame.layout.channel_names != self._names:
            self._names = frame.layout.channel_names
            for column, row in enumerate(self.rows):
                row.show_name(self._names[column] if column < len(self._names) else "")
        moved = self._moving.follow(levels.tolist(), frame.status.elapsed_seconds)
        others = tuple(place for place in moved if self.rows[place].wanted.casefold() != MIX)
        self._say_what_moves(others or moved)
        for place, row in enumerate(self.rows):
            row.show_level(float(levels[place]), moves=place in self._moved)

    def _say_what_moves(self, moved: tuple[int, ...]) -> None:
        self._moved = moved
        rows = [self.rows[place] for place in moved]
        words = moving_words([row.number for row in rows], dict.fromkeys(row.wanted for row in rows if row.wanted))
        if words != self.moves.text():
            self.moves.setText(words)

    def _name_what_moves(self) -> None:
        """Give the channels that move the name that was typed."""
        name = self.called.text().strip()
        if not name:
            return
        if not self._moved:
            self.say(NOTHING_MOVES)
            return
        if len(self._moved) > MOST_OF_A_PART and name.casefold() != MIX:
            self.say(TOO_MANY_MOVE.format(len(self._moved)))
            return
        for row in (self.rows[place] for place in self._moved):
            if name.startswith(SIDES):
                row.lie_at((*row.stages, name))
            else:
                row.feed.call(name)
        self.called.clear()
        self.say("")

    def feeds(self) -> FeedMap:
        """The map as it stands in the dialog; raises FeedMapError with one sentence."""
        mix: list[int] = []
        parts: dict[str, list[int]] = {}
        for row in self.rows:
            if row.wanted.casefold() == MIX:
                mix.append(row.number)
            elif row.wanted:
                parts.setdefault(row.wanted, []).append(row.number)
        pairs = pairs_of({row.number: row.stages for row in self.rows})
        return feed_map(self.job.text().strip() or self._usual_job, mix, parts, pairs)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Return in a line names; it presses no button of the dialog."""
        if event.key() not in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            super().keyPressEvent(event)

    def _hand_on(self, signal: SignalInstance) -> None:
        try:
            feeds = self.feeds()
        except FeedMapError as error:
            self.say(str(error))
            return
        self.say("")
        signal.emit(feeds)

    def _make_rows(self, channels: Sequence[int]) -> None:
        self._names = ()
        for row in self.rows:
            row.show_name("")
            row.show_level(math.nan, moves=False)
        if [row.number for row in self.rows] == list(channels):
            return
        for row in self.rows:
            for old in row.widgets:
                old.setParent(None)
                old.deleteLater()
        for place in range(self._grid.rowCount()):
            self._grid.setRowMinimumHeight(place, 0)
            self._grid.setRowStretch(place, 0)
        self.rows = [ChannelRow(number) for number in channels]
        for place, row in enumerate(self.rows, 1):
            self._grid.setRowMinimumHeight(place, ROW_PX)
            for column, widget in enumerate(row.widgets):
                self._grid.addWidget(widget, place, column, Qt.AlignmentFlag.AlignVCenter)
        self._grid.setRowStretch(len(self.rows) + 1, 1)


def _beside(*widgets: QWidget, wide: int = -1) -> QHBoxLayout:
    """A row of widgets; the one at ``wide`` takes what is left."""
    row = QHBoxLayout()
    for place, widget in enumerate(widgets):
        row.addWidget(widget, 1 if place == wide else 0)
    return row
