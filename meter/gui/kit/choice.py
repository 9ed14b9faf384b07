"""The menu of a face: its entries, and how they are filled in."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from PySide6.QtGui import QAction, QActionGroup
from PySide6.QtWidgets import QMenu

Setting = float | str | bool


@dataclass(frozen=True)
class Choice:
    """One entry of a face's menu: it sets ``setting`` to ``value``, or calls ``run`` where there is one."""

    heading: str
    words: str
    setting: str = ""
    value: Setting = ""
    run: Callable[[], None] | None = None


def fill_menu(
    menu: QMenu, choices: Iterable[Choice], settings: Mapping[str, Setting], choose: Callable[[Choice], None]
) -> None:
    """Fill a menu with choices under their headings; those that are in force are checked. [gui]"""
    menu.clear()
    groups: dict[str, QActionGroup] = {}
    for choice in choices:
        if choice.heading not in groups:
            menu.addSection(choice.heading)
            groups[choice.heading] = QActionGroup(menu)
        action = QAction(choice.words, groups[choice.heading])
        action.setCheckable(choice.run is None)
        action.setChecked(choice.run is None and settings.get(choice.setting) == choice.value)
        action.triggered.connect(lambda _checked=False, chosen=choice: choose(chosen))
        menu.addAction(action)
