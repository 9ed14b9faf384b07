"""Meters by others: which of them may run, and those set aside, to be tried again. Fills a menu each time it opens.

What may run counts from the next start; a meter that is tried again measures at once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from PySide6.QtCore import QObject
from PySide6.QtGui import QAction
from PySide6.QtWidgets import QMenu

from meter.gui.engine_link import OtherMeter

NONE_FOUND = "none found"
RIGHTS = "Code of its author runs with your rights."
AGAIN = "try {} again"
ASIDE = "set aside"
ENABLED = "enabled"


class OthersMenu(QObject):
    """``find`` lists the meters, ``enable(key, wanted)`` does what was chosen and returns a sentence for ``say``.

    ``aside`` maps the names of meters that are set aside now to the reason, ``try_again`` takes such a name.
    """

    def __init__(
        self,
        menu: QMenu,
        find: Callable[[], Sequence[OtherMeter]],
        enable: Callable[[str, bool], str],
        say: Callable[[str], None],
        aside: Callable[[], Mapping[str, str]] = dict,
        try_again: Callable[[str], None] = lambda _name: None,
    ) -> None:
        super().__init__(menu)
        self._aside = aside
        self._try_again = try_again
        self._menu = menu
        self._find = find
        self._enable = enable
        self._say = say
        menu.setToolTipsVisible(True)
        menu.aboutToShow.connect(self.fill)

    def fill(self) -> None:
        """Offer every meter that is found now; the enabled ones are ticked. Those set aside come first."""
        self._menu.clear()
        aside = self._aside()
        if aside:
            self._menu.addSection(ASIDE)
        for name, why in aside.items():
            again = self._menu.addAction(AGAIN.format(name).replace("&", "&&"))
            again.setToolTip(why)
            again.triggered.connect(lambda _=False, name=name: self._try_again(name))
        if aside:
            self._menu.addSection(ENABLED)
        found = self._find()
        for meter in found:
            self._add(meter)
        if not found:
            self._menu.addAction(NONE_FOUND).setEnabled(False)

    def _add(self, meter: OtherMeter) -> None:
        words = f"{meter.name} {meter.version}, {meter.origin}"
        action = QAction(words.replace("&", "&&"), self._menu)
        action.setCheckable(True)
        action.setChecked(meter.enabled or meter.for_this_run)
        action.setEnabled(not meter.for_this_run)
        why = "Named on the command line for this run." if meter.for_this_run else RIGHTS
        action.setToolTip(f"{why} It is in {meter.folder}.")
        action.triggered.connect(lambda wanted: self._say(self._enable(meter.key, wanted)))
        self._menu.addAction(action)
