"""The line on top: what is being heard, honestly, and the few things that are one key away."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

from PySide6.QtCore import QEvent, QPoint, QSize, Qt, QTimer, Signal
from PySide6.QtGui import QPainter, QPaintEvent, QPolygon, QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QSizePolicy, QVBoxLayout, QWidget

from meter.gui.kit.theme import SUBTITLE_PX, TITLE_PX, VERDICT_PX, current_theme, font, px
from meter.gui.kit.widgets import ElidedLine, KeyButton
from meter.gui.source.feed_words import detail_words, is_broken, missing_words, state_words
from meter.gui.source.source_list import plain_title
from meter.gui.source.state_mark import StateMark
from meter.readings import FeedStatus

NO_SOURCE = "nothing chosen yet"
SEPARATOR = "   ·   "
BESIDE_NAME_PX = 44
"""What the source button needs besides its name: padding and the triangle."""

ROW_PX = 30
FOLD_EDGE_PX = 2
MOST_LINES = 2
NARROW_PX = 900
"""In a window narrower than this a sentence may take one line more."""
TOP_SPACING_PX = 6
FLASH_MS = 4000
"""How long the answer to a key is shown: time to look up and read it (our own choice)."""
LEAST_SOURCE_PX = 230
"""What the name of the source keeps of the top row."""


@dataclass(frozen=True)
class Ask:
    """A sentence with answers; each answer is its words and what it does."""

    sentence: str
    answers: Sequence[tuple[str, Callable[[], None]]]
    of_source: bool = False
    """Whether it goes when another source is chosen."""


class SourceButton(KeyButton):
    """The name of the source; opens the picker. Draws a small triangle that says so."""

    def __init__(self) -> None:
        super().__init__(NO_SOURCE)
        self._name = NO_SOURCE
        self.setFont(font(TITLE_PX, bold=True))
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)
        self.setMinimumWidth(80)
        self.setToolTip("choose what to listen to (S)")

    def follow_text_scale(self) -> None:
        """Take the size of the new text scale."""
        super().follow_text_scale()
        self.setFont(font(TITLE_PX, bold=True))
        self._fit()

    def name_source(self, name: str) -> None:
        """Show the source's name."""
        if name != self._name:
            self._name = name
            self.setAccessibleName(f"source: {name}; choose what to listen to")
            self._fit()
            self.updateGeometry()

    def sizeHint(self) -> QSize:
        """Room for the whole name and the triangle."""
        width = self.fontMetrics().horizontalAdvance(self._name)
        return QSize(width + BESIDE_NAME_PX + 2, super().sizeHint().height())

    def minimumSizeHint(self) -> QSize:
        """A long name first loses what a heading would say, then its end."""
        return QSize(80, super().sizeHint().height())

    def event(self, event: QEvent) -> bool:
        """Fit the name again when the width changed."""
        if event.type() == QEvent.Type.Resize:
            self._fit()
        return super().event(event)

    def _fit(self) -> None:
        room, metrics = max(0, self.width() - BESIDE_NAME_PX), self.fontMetrics()
        short = self._name if metrics.horizontalAdvance(self._name) <= room else plain_title(self._name)
        self.setText(metrics.elidedText(short, Qt.TextElideMode.ElideRight, room))
        self.setToolTip(f"{self._name}: choose what to listen to (S)")

    def paintEvent(self, event: QPaintEvent) -> None:
        super().paintEvent(event)
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(current_theme().soft)
        left = 10 + self.fontMetrics().horizontalAdvance(self.text()) + 8
        middle = self.height() // 2
        triangle = QPolygon([QPoint(left, middle - 2), QPoint(left + 9, middle - 2), QPoint(left + 4, middle + 4)])
        painter.drawPolygon(triangle)


class FeedLine(QWidget):
    """Two rows: the source and the keys, then the state with details, a sentence or a question.

    The second row is always there, so that nothing below moves when there is something to say. Only a sentence that
    does not fit it gets a second line: what is broken must be read whole, from further away than the rest.
    """

    source_asked = Signal()
    hold_toggled = Signal(bool)
    reset_asked = Signal()
    ears_only_asked = Signal()
    more_asked = Signal()
    mark_asked = Signal()
    feeds_asked = Signal()
    page_asked = Signal(int)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.source = SourceButton()
        self.hold = KeyButton("hold", "H", checkable=True)
        self.reset = KeyButton("reset", "R")
        self.ears_only = KeyButton("ears only", "E")
        self.more = KeyButton("more", "M")
        self.marking = KeyButton("mark", "K")
        self.feeds = KeyButton("feeds", "F")
        self.tabs: list[KeyButton] = []
        self._feeds_offered = False
        self.mark = StateMark()
        self.words = ElidedLine(SUBTITLE_PX)
        self._answers = QWidget()
        self._asks: deque[Ask] = deque()
        self._answerable: Ask | None = None
        self._status = FeedStatus()
        self._told: tuple[int, FeedStatus] | None = None
        self._chosen = False
        self._note = self._flashed = ""
        self._flash = QTimer(self)
        self._flash.setSingleShot(True)
        self._flash.setInterval(FLASH_MS)
        self._flash.timeout.connect(self._flash_over)
        self._arrange()
        self._connect()
        self._refresh()

    def _arrange(self) -> None:
        self.hold.setToolTip("freeze the readings until you press it again; measuring goes on")
        self.reset.setToolTip("restart the figures since R; listening time goes on")
        self.ears_only.setToolTip("blank the screen and keep measuring")
        self.marking.setToolTip("figures since the mark begin here")
        self.feeds.setToolTip("name the channels: the mix and the parts")
        self.feeds.hide()
        rows = QVBoxLayout(self)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(0)
        (head, top), (foot, bottom) = _row(rows), _row(rows)
        self._rows = (head, foot)
        self.words.folded.connect(self._fit_rows)
        top.addWidget(self.source)
        self._tab_row = QHBoxLayout()
        self._tab_row.setSpacing(2)
        top.addLayout(self._tab_row)
        top.addStretch(1)
        for button in (self.feeds, self.marking, self.hold, self.reset, self.ears_only, self.more):
            top.addWidget(button)
        bottom.setContentsMargins(10, 0, 10, 0)
        bottom.addWidget(self.mark)
        bottom.addWidget(self.words, 1)
        bottom.addWidget(self._answers)
        inner = QHBoxLayout(self._answers)
        inner.setContentsMargins(0, 0, 0, 0)
        inner.setSpacing(6)
        self._answers.hide()

    def _connect(self) -> None:
        self.source.clicked.connect(self.source_asked)
        self.hold.toggled.connect(self.hold_toggled)
        self.reset.clicked.connect(self.reset_asked)
        self.ears_only.clicked.connect(self.ears_only_asked)
        self.more.clicked.connect(self.more_asked)
        self.marking.clicked.connect(self.mark_asked)
        self.feeds.clicked.connect(self.feeds_asked)

    def name_source(self, name: str) -> None:
        """Show which source was chosen; an empty name means none was. Notices of the source before it go."""
        self._keep_asks(lambda ask: not ask.of_source)
        self._chosen = bool(name)
        self.source.name_source(name or NO_SOURCE)
        self._refresh()

    def show_pages(self, names: Sequence[str], shown: int) -> None:
        """A tab for each page, if there are several; the one that is shown is pressed in."""
        wanted = list(names) if len(names) > 1 else []
        if [tab.text() for tab in self.tabs] != wanted:
            for tab in self.tabs:
                tab.setParent(None)
                tab.deleteLater()
            self.tabs = [KeyButton(name, f"{number + 1}") for number, name in enumerate(wanted)]
            for number, tab in enumerate(self.tabs):
                tab.clicked.connect(partial(self.page_asked.emit, number))
                self._tab_row.addWidget(tab)
        for number, tab in enumerate(self.tabs):
            tab.mark_shown(number == shown)
        self._fit_top()

    def offer_feeds(self, offered: bool) -> None:
        """Show the way to the feed map, where the source has channels enough for one."""
        if offered != self._feeds_offered:
            self._feeds_offered = offered
            self._fit_top()

    def _fit_top(self) -> None:
        """In a narrow window leave out what the menu offers too, then the keys on the tabs."""
        always = (self.hold, self.reset, self.ears_only, self.more)
        for with_more, with_keys in ((True, True), (False, True), (False, False)):
            self.marking.setVisible(with_more)
            self.feeds.setVisible(with_more and self._feeds_offered)
            for tab in self.tabs:
                tab.show_key(with_keys)
            shown = [*always, *self.tabs, *([self.marking] if with_more else [])]
            shown += [self.feeds] if with_more and self._feeds_offered else []
            needed = sum(button.sizeHint().width() + TOP_SPACING_PX for button in shown)
            if needed + LEAST_SOURCE_PX <= self.width():
                return

    def _fit_rows(self, words_high: int = 0) -> None:
        """The heights of both rows at the present text scale."""
        head, foot = self._rows
        head.setFixedHeight(px(ROW_PX))
        foot.setFixedHeight(max(px(ROW_PX), words_high + 2 * FOLD_EDGE_PX))

    def follow_text_scale(self) -> None:
        """Take the heights of the new text scale."""
        self._fit_rows(self.words.sizeHint().height())
        self._fit_top()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Fit the top row."""
        super().resizeEvent(event)
        self._fit_top()

    def show_status(self, status: FeedStatus) -> None:
        """Show what the engine says of the feed; cheap when nothing that is shown has changed."""
        changed = status.state != self._status.state
        told = (int(status.elapsed_seconds), replace(status, frames=0, latency_seconds=0.0))
        if told == self._told:
            return
        self._status, self._told = status, told
        if changed and status.state in ("running", "held"):  # not at every frame: the engine answers a key press late
            self.hold.blockSignals(True)
            self.hold.setChecked(status.state == "held")
            self.hold.blockSignals(False)
        self._refresh()

    def note(self, words: str) -> None:
        """A few words after the details, such as that the display is slowed; empty for none."""
        self._note = words
        self._refresh()

    def flash(self, words: str) -> None:
        """Answer a key: show words in place of the details for a few seconds, unless something needs an answer."""
        self._flashed = words
        self._flash.start()
        self._refresh()

    def _flash_over(self) -> None:
        self._flashed = ""
        self._refresh()

    def ask(self, sentence: str, answers: Sequence[tuple[str, Callable[[], None]]]) -> None:
        """Put a question in the second row; it waits while something is broken or another one is there."""
        self._put(Ask(sentence, answers))

    def _put(self, ask: Ask) -> None:
        self._asks.append(ask)
        self._show_answers()
        self._refresh()

    def say(self, sentence: str, *, of_source: bool = False) -> None:
        """One sentence that stays until it is acknowledged; the same one is not said twice at a time.

        One ``of_source`` goes when another source is chosen, too.
        """
        if sentence and all(ask.sentence != sentence for ask in self._asks):
            self._put(Ask(sentence, [("understood", lambda: None)], of_source))

    def withdraw(self, sentence: str) -> None:
        """Take back a question that no longer applies."""
        self._keep_asks(lambda ask: ask.sentence != sentence)

    def _keep_asks(self, keep: Callable[[Ask], bool]) -> None:
        self._asks = deque(filter(keep, self._asks))
        self._show_answers()
        self._refresh()

    def asked(self) -> str:
        """The question or sentence that waits for an answer; empty when there is none."""
        return self._asks[0].sentence if self._asks else ""

    def _answered(self, action: Callable[[], None]) -> None:
        self._asks.popleft()
        self._show_answers()
        self._refresh()
        action()

    def _show_answers(self) -> None:
        """Make the buttons of the first question, unless they are there already."""
        first = self._asks[0] if self._asks else None
        if first is self._answerable:
            return
        self._answerable = first
        layout = self._answers.layout()
        while layout is not None and layout.count():
            item = layout.takeAt(0)
            widget = item.widget() if item is not None else None
            if widget is not None:
                widget.hide()
                widget.deleteLater()
        if first is not None and layout is not None:
            for words, action in first.answers:
                button = KeyButton(words, outlined=True)
                button.clicked.connect(lambda _=False, chosen=action: self._answered(chosen))
                layout.addWidget(button)

    def _refresh(self) -> None:
        status = self._status
        broken = self._chosen and is_broken(status)
        self.mark.setVisible(self._chosen)
        for button in (self.hold, self.reset, self.marking):
            button.setEnabled(self._chosen)
        self.mark.show_state(status.state if self._chosen else "", broken=broken)
        self._answers.setVisible(bool(self._asks) and not broken)
        sentence, role = self._second_row(broken)
        told = broken or bool(self._asks) or bool(status.sentence)
        lines = MOST_LINES if self.width() >= NARROW_PX else MOST_LINES + 1
        self.words.say(sentence, role, lines=lines if told else 1, most_px=VERDICT_PX if broken else 0)

    def _second_row(self, broken: bool) -> tuple[str, str]:
        status = self._status
        if broken:
            parts = [state_words(status), status.sentence, missing_words(status)]
            return SEPARATOR.join(part for part in parts if part), "broken_ink"
        if self._asks:
            return self._asks[0].sentence, "ink"
        if self._flashed:
            return self._flashed, "ink"
        if not self._chosen:
            return "", "soft"
        parts = detail_words(status)
        if status.sentence:
            parts = [parts[0], status.sentence, *parts[1:]]
        if self._note:
            parts.append(self._note)
        return SEPARATOR.join(parts), "soft"


def _row(rows: QVBoxLayout) -> tuple[QWidget, QHBoxLayout]:
    """A row of fixed height, so that nothing moves when buttons come and go in it, and what holds it."""
    holder = QWidget()
    holder.setFixedHeight(ROW_PX)
    rows.addWidget(holder)
    row = QHBoxLayout(holder)
    row.setContentsMargins(0, 0, 0, 0)
    row.setSpacing(TOP_SPACING_PX)
    return holder, row
