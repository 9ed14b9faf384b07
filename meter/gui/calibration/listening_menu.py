"""Who listens, and by which rule the time is counted: fills a menu each time it opens."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from PySide6.QtCore import QObject, Signal
from PySide6.QtGui import QAction, QActionGroup
from PySide6.QtWidgets import QInputDialog, QMenu

from meter.gui.engine_link import RuleEntry, Setting

MOST_LETTERS = 40
SOMEBODY_ELSE = "somebody else…"
ASKED = "Each person has an exposure ledger of their own on this machine. Who listens now?"


class ListeningMenu(QObject):
    """Emits the settings of the listening meter that were chosen."""

    chosen = Signal(dict)

    def __init__(
        self,
        menu: QMenu,
        rules: Sequence[RuleEntry],
        people: Callable[[], Sequence[str]],
        settings: Callable[[], Mapping[str, Setting]],
    ) -> None:
        super().__init__(menu)
        self._menu = menu
        self._rules = rules
        self._people = people
        self._settings = settings
        menu.setToolTipsVisible(True)
        menu.aboutToShow.connect(self.fill)

    def fill(self) -> None:
        """Offer what may be chosen now."""
        self._menu.clear()
        settings = self._settings()
        person, rule = str(settings.get("person", "")), settings.get("rule")
        self._menu.addSection("who listens")
        group = QActionGroup(self._menu)
        for name in sorted({*self._people(), person} - {""}):
            # A name with an ampersand must not become a shortcut.
            self._add(group, name.replace("&", "&&"), {"person": name}, on=name == person)
        action = QAction(SOMEBODY_ELSE, self._menu)
        action.triggered.connect(lambda _=False: self.ask_name())
        self._menu.addAction(action)
        self._menu.addSection("the rule; your workplace and your country come first")
        group = QActionGroup(self._menu)
        for entry in self._rules:
            self._add(group, entry.name, dict(entry.settings), on=entry.name == rule).setToolTip(entry.caution)

    def ask_name(self) -> None:
        """Ask for the name of somebody who has no ledger yet."""
        name, agreed = QInputDialog.getText(self._menu.parentWidget(), "Who listens?", ASKED)
        name = " ".join(name.split())[:MOST_LETTERS]
        if agreed and name:
            self.chosen.emit({"person": name})

    def _add(self, group: QActionGroup, words: str, settings: dict[str, Setting], *, on: bool) -> QAction:
        action = QAction(words, group)
        action.setCheckable(True)
        action.setChecked(on)
        action.triggered.connect(lambda _=False: self.chosen.emit(settings))
        self._menu.addAction(action)
        return action
