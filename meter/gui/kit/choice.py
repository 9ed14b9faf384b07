"""The menu of a face: its entries, and how they are filled in."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from PySide6.QtCore import Qt
from PySide6.QtGui import QAction, QActionGroup
from PySide6.QtWidgets import QMenu

Setting = float | str | bool


@dataclass(frozen=True)
class Choice:
    """One entry of a face's menu: it sets ``setting`` to ``value``, or calls ``run`` where there is one.

    ``under`` names the submenu that holds it, if any. ``chosen`` ticks an entry with ``run``.
    """

    heading: str
    words: str
    setting: str = ""
    value: Setting = ""
    run: Callable[[], None] | None = None
    under: str = ""
    chosen: bool = False


def fill_menu(
    menu: QMenu, choices: Iterable[Choice], settings: Mapping[str, Setting], choose: Callable[[Choice], None]
) -> None:
    """Fill a menu with choices under their headings; those that are in force are checked. [gui]"""
    clear_menu(menu)
    groups: dict[tuple[str, str], QActionGroup] = {}
    places: dict[str, QMenu] = {"": menu}
    headings: set[str] = set()
    for choice in choices:
        if choice.heading not in headings:
            menu.addSection(choice.heading)
            headings.add(choice.heading)
        if choice.under not in places:
            places[choice.under] = menu.addMenu(choice.under)
        place = (choice.heading, choice.under)
        if place not in groups:
            groups[place] = QActionGroup(menu)
        action = QAction(choice.words, groups[place])
        action.setCheckable(choice.run is None or choice.chosen)
        action.setChecked(choice.chosen or (choice.run is None and settings.get(choice.setting) == choice.value))
        action.triggered.connect(lambda _checked=False, chosen=choice: choose(chosen))
        places[choice.under].addAction(action)


def clear_menu(menu: QMenu) -> None:
    """Empty a menu that is filled each time it opens, submenus included. [gui]"""
    menu.clear()
    for old in menu.findChildren(QMenu, options=Qt.FindChildOption.FindDirectChildrenOnly):
        old.deleteLater()
