"""The panel in which the source is chosen: what plays, inputs, a file, the demo."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from PySide6.QtCore import QModelIndex, QPersistentModelIndex, QRect, QSize, Qt, Signal
from PySide6.QtGui import QFontMetrics, QKeyEvent, QPainter
from PySide6.QtWidgets import (
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QVBoxLayout,
    QWidget,
)

from meter.feeds import FeedMap
from meter.gui.kit.fields import Choice
from meter.gui.kit.theme import SUBTITLE_PX, TEXT_PX, TITLE_PX, current_theme, font
from meter.gui.kit.widgets import KeyButton, Paragraph
from meter.gui.source.listing_process import SourceLister
from meter.gui.source.source_list import LESSER, MOST_AT_ONCE, Listing, SourceEntry, channel_choices
from meter.settings import SourceChoice

WIDTH_PX = 560
LIST_HEIGHT_PX = 300
ROW_PX = 34
ROW_EDGE_PX = 6
HEADING_PX = 30
EDGE_PX = 12
BAR_PX = 16
"""Room for the list's scroll bar."""
TEXT_WIDTH_PX = WIDTH_PX - 4 * EDGE_PX - BAR_PX
ENTRY_ROLE = int(Qt.ItemDataRole.UserRole)
SOUND_FILES = "Sound files (*.wav *.flac *.aiff *.aif *.ogg *.mp3 *.caf *.w64 *.rf64);;All files (*)"
DEMO: dict[str, Any] = {"kind": "demo", "name": "", "options": {"feeds": "all"}}
"""With every part beside the mix, so that the page of the low end has something to tell."""
LOOKING = "looking for sources…"
NOTHING_FOUND = (
    "No source was found. Connect an interface, start your sound server, or open a file or the demo; then rescan."
)


class _Row(QStyledItemDelegate):
    """Draws a source as its name on the left and its detail on the right, a heading as quiet small text.

    A name that leaves no room for the detail has a row of its own, or two; it is never cut in the middle.
    """

    def sizeHint(self, option: QStyleOptionViewItem, index: QModelIndex | QPersistentModelIndex) -> QSize:
        entry = index.data(ENTRY_ROLE)
        return QSize(100, HEADING_PX if entry is None else _row_height(entry))

    def paint(
        self, painter: QPainter, option: QStyleOptionViewItem, index: QModelIndex | QPersistentModelIndex
    ) -> None:
        theme = current_theme()
        entry = index.data(ENTRY_ROLE)
        box: QRect = option.rect.adjusted(EDGE_PX, 0, -EDGE_PX, 0)
        box.setWidth(min(box.width(), TEXT_WIDTH_PX))
        middle, left = Qt.AlignmentFlag.AlignVCenter, Qt.AlignmentFlag.AlignLeft
        painter.save()
        if entry is None:
            painter.setFont(font(SUBTITLE_PX))
            painter.setPen(theme.soft)
            painter.drawText(box.adjusted(0, 4, 0, 0), middle | left, str(index.data()))
            painter.restore()
            return
        state = option.state
        if state & QStyle.StateFlag.State_Selected:
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setPen(theme.ink)
            painter.setBrush(theme.trough)
            painter.drawRoundedRect(box.adjusted(-6, 2, 6, -2), 5, 5)
        place = Qt.AlignmentFlag.AlignRight | middle
        if _row_height(entry) > ROW_PX:
            box = box.adjusted(0, ROW_EDGE_PX, 0, -ROW_EDGE_PX)
            middle, place = Qt.AlignmentFlag.AlignTop, Qt.AlignmentFlag.AlignBottom | left
        painter.setFont(font(SUBTITLE_PX))
        painter.setPen(theme.soft)
        painter.drawText(box, place, entry.detail)
        painter.setFont(font(TEXT_PX))
        painter.setPen(theme.ink)
        painter.drawText(box, middle | left | Qt.TextFlag.TextWordWrap, entry.listed)
        painter.restore()


def _row_height(entry: SourceEntry) -> int:
    """The height of a row that shows all of a source's name, in pixels."""
    names, details = QFontMetrics(font(TEXT_PX)), QFontMetrics(font(SUBTITLE_PX))
    detail = details.horizontalAdvance(entry.detail)
    if names.horizontalAdvance(entry.listed) + detail + EDGE_PX <= TEXT_WIDTH_PX:
        return ROW_PX
    within = QRect(0, 0, TEXT_WIDTH_PX, 1000)
    high = names.boundingRect(within, int(Qt.TextFlag.TextWordWrap), entry.listed).height()
    return high + details.lineSpacing() + 2 * ROW_EDGE_PX


class Picker(QFrame):
    """A popup under the feed line. ``chosen`` carries the request and the words to call the source by.

    ``finder_asked`` carries how many channels the source has as well.
    ``map_of`` gives the feed map that is kept for a source, None where there is none.
    """

    chosen = Signal(dict, str)
    finder_asked = Signal(dict, str, int)

    def __init__(
        self,
        lister: SourceLister,
        parent: QWidget | None = None,
        map_of: Callable[[SourceChoice], FeedMap | None] = lambda _: None,
    ) -> None:
        super().__init__(parent, Qt.WindowType.Popup)
        self._lister = lister
        self._map_of = map_of
        self._listing = Listing()
        self._listed = False
        self._current: Mapping[str, Any] = {}
        self._lesser_shown = False
        self.list = QListWidget()
        self.hints = Paragraph("", "soft")
        self.channels = Choice()
        self.listen = KeyButton("listen", "↵", outlined=True)
        self.finder = KeyButton("name the feeds…", outlined=True)
        self.rescan = KeyButton("rescan")
        self.lesser = KeyButton("more")
        self.open_file = KeyButton("open a file…", outlined=True)
        self.demo = KeyButton("demo", outlined=True)
        self._arrange()
        self._connect()

    def _arrange(self) -> None:
        self.setFixedWidth(WIDTH_PX)
        self.setAutoFillBackground(True)
        title = QLabel("listen to")
        title.setFont(font(TITLE_PX, bold=True))
        self.list.setItemDelegate(_Row(self.list))
        self.list.setFixedHeight(LIST_HEIGHT_PX)
        self.list.setFrameShape(QFrame.Shape.NoFrame)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.setAccessibleName("sources")
        self.channels.setAccessibleName("channels of the source")
        self.lesser.setToolTip("show other ways to the same devices; they may convert what you measure")
        self.finder.setToolTip("listen to all channels and name them: the mix and the parts")
        self.demo.setToolTip("an invented piece of music made here; needs no sound hardware")
        head, feet = QHBoxLayout(), QHBoxLayout()
        head.addWidget(title)
        head.addStretch(1)
        head.addWidget(self.lesser)
        head.addWidget(self.rescan)
        for widget in (self.open_file, self.demo):
            feet.addWidget(widget)
        feet.addStretch(1)
        feet.addWidget(self.listen)
        which = QHBoxLayout()
        which.addWidget(self.channels, 1)
        which.addWidget(self.finder)
        column = QVBoxLayout(self)
        column.setContentsMargins(EDGE_PX, EDGE_PX, EDGE_PX, EDGE_PX)
        column.addLayout(head)
        column.addWidget(self.list)
        column.addLayout(which)
        column.addWidget(self.hints)
        column.addLayout(feet)

    def _connect(self) -> None:
        self.list.currentItemChanged.connect(lambda *_: self._selected())
        self.list.itemActivated.connect(lambda *_: self._take())
        self.list.itemDoubleClicked.connect(lambda *_: self._take())
        self.listen.clicked.connect(self._take)
        self.finder.clicked.connect(self._find)
        self.rescan.clicked.connect(self.scan)
        self.lesser.clicked.connect(self._show_lesser)
        self.open_file.clicked.connect(self.ask_for_file)
        self.demo.clicked.connect(lambda: self._choose(DEMO, "demo"))
        self._lister.listed.connect(self.show_listing)
        self._lister.failed.connect(self._show_failure)

    def pop_up(self, under: QWidget, current: Mapping[str, Any]) -> None:
        """Open below ``under`` with the source in use selected, and look what is there."""
        self._current = current
        self.setPalette(self.window().palette())
        self._fill()
        self.adjustSize()
        self.move(under.mapToGlobal(under.rect().bottomLeft()))
        self.show()
        self.list.setFocus()
        self.scan()

    def scan(self) -> None:
        """Ask the listing child; the present list stays until it answers."""
        self.rescan.setEnabled(False)
        self._say(LOOKING)
        self._lister.start()

    def show_listing(self, listing: Listing) -> None:
        """Show what was found."""
        self.rescan.setEnabled(True)
        self._listing, self._listed = listing, True
        self._fill()
        self._say_hints()

    def _say_hints(self) -> None:
        """What the chosen source has to say, and what is missing on this machine."""
        entry = self._entry()
        words = [entry.hint] if entry is not None and entry.hint else []
        words += self._listing.sentences
        if self._listed and not self._listing.entries:
            words.append(NOTHING_FOUND)
        self._say(LOOKING if self._lister.busy else "\n".join(words))

    def _show_failure(self, sentence: str) -> None:
        self.rescan.setEnabled(True)
        self._say(sentence, "ink")

    def _say(self, text: str, role: str = "soft") -> None:
        self.hints.tint(role)
        self.hints.setText(text)
        self.hints.setVisible(bool(text))
        self.adjustSize()

    def _show_lesser(self) -> None:
        self._lesser_shown = not self._lesser_shown
        self._fill()

    def _fill(self) -> None:
        before = self._entry()
        groups = self._listing.groups()
        self.lesser.setVisible(LESSER in groups)
        self.list.clear()
        for heading, entries in groups.items():
            if heading == LESSER and not self._lesser_shown:
                continue
            self._add_heading(heading)
            for entry in entries:
                self._add_entry(entry, before)
        if self.list.currentItem() is None and self.list.count() > 1:
            self.list.setCurrentRow(1)
        self._selected()

    def _add_heading(self, heading: str) -> None:
        item = QListWidgetItem(heading)
        item.setFlags(Qt.ItemFlag.NoItemFlags)
        self.list.addItem(item)

    def _add_entry(self, entry: SourceEntry, before: SourceEntry | None) -> None:
        item = QListWidgetItem(entry.listed)
        item.setData(ENTRY_ROLE, entry)
        item.setToolTip(entry.hint)
        item.setData(Qt.ItemDataRole.AccessibleTextRole, f"{entry.listed}, {entry.detail}")
        self.list.addItem(item)
        if entry == before or (before is None and self._is_current(entry)):
            self.list.setCurrentItem(item)

    def _is_current(self, entry: SourceEntry) -> bool:
        if (entry.kind, entry.name) != (self._current.get("kind"), self._current.get("name")):
            return False
        wanted = self._current.get("options", {}).get("host_api", entry.host_api)
        return bool(wanted == entry.host_api)

    def _entry(self) -> SourceEntry | None:
        item = self.list.currentItem()
        found = item.data(ENTRY_ROLE) if item is not None else None
        return found if isinstance(found, SourceEntry) else None

    def _selected(self) -> None:
        entry = self._entry()
        self.listen.setEnabled(entry is not None)
        self.channels.clear()
        for words, numbers in self._channel_choices(entry) if entry else []:
            self.channels.addItem(words, numbers)
        self.channels.setVisible(self.channels.count() > 0)
        self.finder.setVisible(entry is not None and 2 < entry.channels <= MOST_AT_ONCE)
        if entry is not None and self._is_current(entry):
            taken = tuple(self._current.get("options", {}).get("channels", ()))
            for row in range(self.channels.count()):
                if self.channels.itemData(row) == taken:
                    self.channels.setCurrentIndex(row)
        self._say_hints()

    def _channel_choices(self, entry: SourceEntry) -> list[tuple[str, tuple[int, ...]]]:
        """What may be taken of a source with more than two channels, first what its feed map names."""
        choices = channel_choices(entry.channels, entry.positions)
        feeds = self._map_of(SourceChoice(entry.kind, entry.name)) if choices else None
        if feeds is not None and max(feeds.channels) <= entry.channels:
            choices.insert(0, (f"as named: {feeds.name}" if feeds.name else "as named", feeds.channels))
        return choices

    def _take(self) -> None:
        entry = self._entry()
        if entry is None:
            return
        numbers = tuple(self.channels.currentData() or ())
        self._choose(entry.request(numbers), entry.title)

    def _find(self) -> None:
        """Listen to all channels, and ask which is what."""
        entry = self._entry()
        if entry is not None:
            self.hide()
            first = self._channel_choices(entry)[0][1]
            self.finder_asked.emit(entry.request(first), entry.title, entry.channels)

    def ask_for_file(self) -> None:
        """Ask for a sound file."""
        self.hide()
        path, _ = QFileDialog.getOpenFileName(self.parentWidget(), "open a sound file", "", SOUND_FILES)
        if path:
            self.take_file(Path(path))

    def take_file(self, path: Path) -> None:
        """Listen to a file."""
        self._choose({"kind": "file", "name": str(path), "options": {}}, path.name)

    def _choose(self, request: dict[str, Any], title: str) -> None:
        self.hide()
        self.chosen.emit(request, title)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Return listens, Escape closes."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self._take()
        elif event.key() == Qt.Key.Key_Escape:
            self.hide()
        else:
            super().keyPressEvent(event)

    def paintEvent(self, event: Any) -> None:
        """A card with a thin outline."""
        theme = current_theme()
        painter = QPainter(self)
        painter.fillRect(self.rect(), theme.card)
        painter.setPen(theme.line)
        painter.drawRect(self.rect().adjusted(0, 0, -1, -1))
