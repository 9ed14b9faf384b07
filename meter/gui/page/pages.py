"""All pages of the window, one of them shown: what they are called comes from their layouts."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QCursor, QKeySequence, QResizeEvent, QShortcut
from PySide6.QtWidgets import QFrame, QScrollArea, QStackedWidget, QWidget

from meter.gui.engine_link import MeterEntry, Setting
from meter.gui.kit.theme import follow_window
from meter.gui.page.layout import PAGES, Plan, plain_plan, read_plan
from meter.gui.page.page import Card, Offers, Page
from meter.preset_files import PresetError, find_presets

FIRST = "page"
"""File of the page that comes first and takes in what has no place anywhere."""
FEEDS = "feeds"
"""What stands for a file of the page of meters on several feeds, which is not read from one."""
FACE_KEYS = ("A", "C", "U")
"""Letter keys of faces; see ``Face.press``."""
MOST_PAGES = 9
"""As many as there are keys."""


class Pages(QStackedWidget):
    """Reads every layout in ``folder`` and among the presets in ``own``; ``sentences`` say which could not be used.
    ``wanted`` is the file's name of the page to begin with."""

    setting_chosen = Signal(str, dict)
    action_asked = Signal(str)
    try_again_asked = Signal(str)
    """The meter of this instance was set aside and is to be tried again."""

    def __init__(
        self,
        folder: Path,
        entries: Sequence[MeterEntry],
        wanted: str,
        now: Callable[[], float] = time.perf_counter,
        own: Path | None = None,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self.sentences: list[str] = []
        self.offers: Offers = lambda _entry: ()
        """What the window adds to the menu of a card."""
        plans = self._read(folder, own, entries, Path(wanted).name)
        self.files = list(plans)
        self._now = now
        self._pages = [self._make(file, plans, entries) for file in plans]
        for key in FACE_KEYS:
            QShortcut(QKeySequence(key), self).activated.connect(lambda pressed=key: self.press(pressed))
        self.turn_to(self.files.index(Path(wanted).name) if Path(wanted).name in plans else 0)

    @property
    def page(self) -> Page:
        """The page that is shown."""
        return self._pages[self.currentIndex()]

    @property
    def file(self) -> str:
        """The shown page's file, without its suffix."""
        return self.files[self.currentIndex()]

    @property
    def names(self) -> list[str]:
        """What the pages are called, in order."""
        return [page.name for page in self._pages]

    def cards(self, meter_id: str = "") -> list[Card]:
        """All cards of all pages, or those of one meter."""
        found = [card for page in self._pages for card in page.cards]
        return [card for card in found if card.entry.meter_id == meter_id] if meter_id else found

    def turn_to(self, number: int) -> bool:
        """Show another page; False when there is none with this number or it is shown already."""
        if number == self.currentIndex() or not 0 <= number < len(self._pages):
            return False
        self.setCurrentIndex(number)
        return True

    def turn_to_file(self, file: str) -> bool:
        """The same by the name of the page's file."""
        return file in self.files and self.turn_to(self.files.index(file))

    def show_feeds(self, plan: Plan | None, entries: Sequence[MeterEntry]) -> None:
        """Have this as the page of meters on several feeds, the last one; None for no such page."""
        was_shown = self.file == FEEDS
        if FEEDS in self.files:
            number = self.files.index(FEEDS)
            self.setCurrentIndex(0 if was_shown else self.currentIndex())
            if (old := self.widget(number)) is not None:
                self.removeWidget(old)
                old.deleteLater()
            del self.files[number], self._pages[number]
        if plan is not None:
            self._pages.append(self._make(FEEDS, {FEEDS: plan}, entries))
            self.files.append(FEEDS)
            self.turn_to(len(self.files) - 1 if was_shown else self.currentIndex())

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Text goes with the size of the window."""
        super().resizeEvent(event)
        follow_window(self.window().size())

    def press(self, key: str) -> None:
        """Hand a letter key to the face under the mouse or, where that has no use for it, the first that has one."""
        cards = self.page.cards
        under = [card for card in cards if card.face.rect().contains(card.face.mapFromGlobal(QCursor.pos()))]
        for card in (*under, *cards):
            if not card.face.fault and card.face.press(key):
                return

    def show_settings(self, meter_id: str, settings: Mapping[str, Setting]) -> None:
        """Hand a meter's settings to all its faces."""
        for card in self.cards(meter_id):
            card.show_settings(settings)

    def _read(self, folder: Path, own: Path | None, entries: Sequence[MeterEntry], wanted: str) -> dict[str, Plan]:
        """Layouts by file, the first page first; one that cannot be used leaves its meters in rows."""
        found = find_presets(PAGES, own, folder)
        self.sentences += found.sentences
        kept = {name: preset.content for name, preset in found.presets.items() if name != FEEDS}
        for file in {FIRST, wanted} - {FEEDS, *kept}:
            self._tell_missing(folder / f"{file}.toml")
        order = sorted(kept, key=lambda file: (file != FIRST, file))
        if left_out := order[MOST_PAGES - 1 :]:
            self.sentences.append(f"At most {MOST_PAGES - 1} pages are shown; left out: {', '.join(left_out)}.")
        plans = {file: kept[file] for file in order[: MOST_PAGES - 1]}
        if FIRST not in plans:
            shown = [entry.meter_id for entry in entries if entry.on_pages and not self._has_place(entry, plans)]
            plans = {FIRST: plain_plan(shown), **plans}
        return plans

    def _tell_missing(self, path: Path) -> None:
        """Say why a page that should be there is not, unless that was said."""
        try:
            read_plan(path)
        except PresetError as error:
            self.sentences += [str(error)] if str(error) not in self.sentences else []

    @staticmethod
    def _has_place(entry: MeterEntry, plans: Mapping[str, Plan]) -> bool:
        return any(place.meter == entry.meter_id for plan in plans.values() for place in plan.place)

    def _make(self, file: str, plans: Mapping[str, Plan], entries: Sequence[MeterEntry]) -> Page:
        elsewhere = {place.meter for other, plan in plans.items() if other != file for place in plan.place}
        page = Page(plans[file], entries, self._now, elsewhere=elsewhere, offers=lambda entry: self.offers(entry))
        page.setting_chosen.connect(self.setting_chosen)
        page.action_asked.connect(self.action_asked)
        page.try_again_asked.connect(self.try_again_asked)
        scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setFrameShape(QFrame.Shape.NoFrame)
        scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        scroll.setWidget(page)
        self.addWidget(scroll)
        return page
