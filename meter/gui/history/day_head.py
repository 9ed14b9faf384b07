"""Above the day: which day, job, feed and figures are shown, and the way back."""

from __future__ import annotations

from collections.abc import Callable, Collection
from datetime import date
from functools import partial

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QAction
from PySide6.QtWidgets import QHBoxLayout, QMenu, QWidget

from meter.gui.history.day_source import DaySource
from meter.gui.kit.widgets import KeyButton
from meter.instances import feed_title

LONGEST_NAME = 24
USUAL = "the usual figures"


def day_words(day: str) -> str:
    """``Saturday 28 November 2026`` for ``2026-11-28``."""
    try:
        found = date.fromisoformat(day)
    except ValueError:
        return day
    return f"{found:%A} {found.day} {found:%B %Y}"


def _name(button: KeyButton, name: str, most: int = 80) -> None:
    """Put a name of up to ``most`` letters on a button; the rest is in its tooltip."""
    button.setText(name if len(name) <= most else f"{name[: most - 1]}…")
    button.setAccessibleName(name)
    button.setToolTip(name if button.text() != name else "")
    button.updateGeometry()
    button.update()


class DayHead(QWidget):
    """``chosen`` tells that something else of the source is looked at now."""

    chosen = Signal()
    whole_asked = Signal()
    left = Signal()

    def __init__(self, source: DaySource) -> None:
        super().__init__()
        self._source = source
        self._drawn: frozenset[str] = frozenset()
        self.before = KeyButton("‹", outlined=True)
        self.before.setAccessibleName("the day before")
        self.days = KeyButton("", outlined=True)
        self.after = KeyButton("›", outlined=True)
        self.after.setAccessibleName("the day after")
        self.jobs = KeyButton("", outlined=True)
        self.feeds = KeyButton("", outlined=True)
        self.figures = KeyButton("figures", outlined=True)
        self.whole = KeyButton("whole day", outlined=True)
        self.leave = KeyButton("back", "D", outlined=True)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(6)
        for button in (self.before, self.days, self.after, self.jobs, self.feeds, self.figures):
            row.addWidget(button)
        row.addStretch(1)
        row.addWidget(self.whole)
        row.addWidget(self.leave)
        self._connect()

    def _connect(self) -> None:
        self.before.clicked.connect(lambda: self._choose_day(self._source.beside(-1)))
        self.after.clicked.connect(lambda: self._choose_day(self._source.beside(1)))
        self.whole.clicked.connect(self.whole_asked)
        self.leave.clicked.connect(self.left)
        self.days.clicked.connect(lambda: self._pop_up(self.days, self.fill_days))
        self.jobs.clicked.connect(lambda: self._pop_up(self.jobs, self.fill_jobs))
        self.feeds.clicked.connect(lambda: self._pop_up(self.feeds, self.fill_feeds))
        self.figures.clicked.connect(lambda: self._pop_up(self.figures, self.fill_figures))

    def show_source(self, drawn: Collection[str]) -> None:
        """Name what is looked at; ``drawn`` are the keys of the figures that are drawn."""
        source = self._source
        self._drawn = frozenset(drawn)
        _name(self.days, day_words(source.day) or "no day")
        _name(self.jobs, source.job.name if source.job else "", LONGEST_NAME)
        _name(self.feeds, feed_title(source.feed), LONGEST_NAME)
        self.before.setEnabled(bool(source.beside(-1)))
        self.after.setEnabled(bool(source.beside(1)))
        self.jobs.setVisible(len(source.jobs) > 1)
        self.feeds.setVisible(len(source.feeds) > 1)
        self.days.setEnabled(bool(source.day))
        self.whole.setEnabled(source.span is not None)
        self.figures.setEnabled(bool(source.figures))

    def fill_days(self, menu: QMenu) -> None:
        """Offer the days of this job, the newest first."""
        source = self._source
        for day in sorted(source.job.days if source.job else (), reverse=True):
            self._offer(menu, day_words(day), partial(self._choose_day, day), chosen=day == source.day)

    def fill_jobs(self, menu: QMenu) -> None:
        """Offer the jobs with a record."""
        source = self._source
        for job in source.jobs:
            self._offer(menu, job.name, partial(self._do, partial(source.choose_job, job)),
                        chosen=job is source.job)  # fmt: skip

    def fill_feeds(self, menu: QMenu) -> None:
        """Offer the feeds of this day."""
        source = self._source
        for feed in source.feeds:
            self._offer(menu, feed_title(feed), partial(self._do, partial(source.choose_feed, feed)),
                        chosen=feed == source.feed)  # fmt: skip

    def fill_figures(self, menu: QMenu) -> None:
        """Offer the figures of this feed; those that are drawn are ticked."""
        for key, words in self._source.named_figures.items():
            self._offer(menu, words, partial(self._toggle, key), chosen=key in self._drawn)
        menu.addSeparator()
        self._offer(menu, USUAL, lambda: self._choose_figures(()), chosen=not self._source.chosen)

    def _toggle(self, key: str) -> None:
        """Draw one more figure, or one fewer."""
        self._choose_figures(tuple(self._drawn ^ {key}))

    def _choose_figures(self, keys: tuple[str, ...]) -> None:
        self._source.chosen = keys
        self.chosen.emit()

    def _choose_day(self, day: str) -> None:
        if day:
            self._do(lambda: self._source.choose_day(day))

    def _do(self, choose: Callable[[], None]) -> None:
        choose()
        self.chosen.emit()

    def _pop_up(self, button: KeyButton, fill: Callable[[QMenu], None]) -> None:
        menu = QMenu(self)
        menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        fill(menu)
        menu.popup(button.mapToGlobal(button.rect().bottomLeft()))

    @staticmethod
    def _offer(menu: QMenu, words: str, act: Callable[[], None], *, chosen: bool) -> None:
        action = QAction(words.replace("&", "&&"), menu)
        action.setCheckable(True)
        action.setChecked(chosen)
        action.triggered.connect(lambda _=False: act())
        menu.addAction(action)
