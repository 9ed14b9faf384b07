"""One row below the page from the first mark on: the running span with its figures, and the way to the list."""

from __future__ import annotations

from PySide6.QtCore import QObject, Qt, QTimer, Signal
from PySide6.QtGui import QFocusEvent, QKeyEvent
from PySide6.QtWidgets import QHBoxLayout, QWidget

from meter.gui.kit.fields import TextField
from meter.gui.kit.theme import SUBTITLE_PX, font
from meter.gui.kit.widgets import ElidedLine, KeyButton, TintedLabel
from meter.gui.marks.span_words import figures_of, length, line_parts, lost_words, time_of_day
from meter.marks import SECTIONS, Mark
from meter.readings import Frame

ROW_PX = 30
NAME_PX = 350
SEPARATOR = "   ·   "
NEWS_MS = 2500
"""How long the name of a new mark stands out: long enough to look up from the keys (our own choice)."""
HINT = "two letters: ve verse, ch chorus, be before, af after…"


class NameEdit(TextField):
    """Takes two letters that stand for a name at once, or another name with Return; Esc leaves it."""

    named = Signal(str)
    left = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.setFont(font(SUBTITLE_PX))
        self.setFixedWidth(NAME_PX)
        self.setPlaceholderText(HINT)
        self.setToolTip(", ".join(f"{letters} {name}" for letters, name in SECTIONS.items()))
        self.setAccessibleName(f"name of the mark, {HINT}")
        self.textEdited.connect(self._follow)
        self.returnPressed.connect(lambda: self.named.emit(self.text()))
        self.hide()

    def bring_up(self) -> None:
        """Begin with an empty name."""
        self.clear()
        self.show()
        self.setFocus()

    def _follow(self, text: str) -> None:
        if text.lower() in SECTIONS:
            self.named.emit(text)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Esc leaves the name as it was."""
        if event.key() == Qt.Key.Key_Escape:
            self.left.emit()
        else:
            super().keyPressEvent(event)

    def focusOutEvent(self, event: QFocusEvent) -> None:
        """Leaving it elsewhere changes nothing either."""
        super().focusOutEvent(event)
        self.left.emit()


class MarkLine(QWidget):
    """Hidden until there is a mark. ``named`` carries the index of the mark and its name."""

    named = Signal(int, str)
    list_asked = Signal()

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__()
        self.title = TintedLabel(SUBTITLE_PX, "ink", bold=True)
        self.words = ElidedLine(SUBTITLE_PX)
        self.edit = NameEdit()
        self.naming = KeyButton("name", "N")
        self.listing = KeyButton("list", "J")
        self.setFixedHeight(ROW_PX)
        row = QHBoxLayout(self)
        row.setContentsMargins(10, 0, 0, 0)
        row.setSpacing(10)
        for widget in (self.title, self.edit):
            row.addWidget(widget)
        row.addWidget(self.words, 1)
        for button in (self.naming, self.listing):
            row.addWidget(button)
        self._marks: tuple[Mark, ...] = ()
        self._parts: list[str] = []
        self._named = -1
        self._news = QTimer(self)
        self._news.setSingleShot(True)
        self._news.setInterval(NEWS_MS)
        self._news.timeout.connect(lambda: self.title.tint("ink"))
        self.naming.clicked.connect(self.name_last)
        self.listing.clicked.connect(self.list_asked)
        self.edit.named.connect(self._name)
        self.edit.left.connect(self._leave)
        self.hide()

    def show_frame(self, frame: Frame, wall: float) -> None:
        """Show the newest span at the time of day ``wall``; a new one stands out for a moment."""
        marks = frame.marks
        if not marks:
            self.hide()
            self._marks = marks
            return
        last, now = marks[-1], frame.status.elapsed_seconds
        before = self._marks[-1].start if self._marks else None
        if last.running and last.start != before:
            self._stand_out()
        self._marks = marks
        self.title.setText(last.name)
        figures = frame.since_mark() if last.running else last.figures
        at = time_of_day(last.at, wall)
        since = f"since {at}" if last.running else f"{at}, ended"
        seconds = last.seconds(now)
        lost = lost_words(figures, seconds)
        found = line_parts(figures_of(frame.layout), figures)
        self._parts = [f"{since}, {length(seconds)}", *([lost] if lost else []), *found]
        self._fit()
        self.show()

    def _fit(self) -> None:
        """As many figures as there is room for, the most important first."""
        room, metrics = self.words.width() - 2, self.words.fontMetrics()
        shown = len(self._parts)
        while shown > 1 and metrics.horizontalAdvance(SEPARATOR.join(self._parts[:shown])) > room:
            shown -= 1
        self.words.say(SEPARATOR.join(self._parts[:shown]))

    def name_last(self) -> None:
        """Have the newest mark named."""
        if self._marks:
            self._named = len(self._marks) - 1
            self.title.hide()
            self.edit.bring_up()

    def _stand_out(self) -> None:
        self.title.tint("measured_ink")
        self._news.start()

    def _name(self, name: str) -> None:
        number = self._named
        self._leave()
        self.named.emit(number, name)

    def _leave(self) -> None:
        if self.edit.isHidden():
            return
        self.edit.hide()
        self.title.show()
        window = self.window()
        window.setFocus()
