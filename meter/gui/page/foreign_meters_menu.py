"""Meters by others: which of them may run. Fills a menu each time it opens; a choice counts from the next start."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from PySide6.QtCore import QObject
from PySide6.QtGui import QAction
from PySide6.QtWidgets import QMenu

from meter.gui.engine_link import OtherMeter

NONE_FOUND = "none found"
RIGHTS = "Code of its author runs with your rights."


class OthersMenu(QObject):
    """``find`` lists the meters, ``enable(key, wanted)`` does what was chosen and returns a sentence for ``say``."""

    def __init__(
        self,
        menu: QMenu,
        find: Callable[[], Sequence[OtherMeter]],
        enable: Callable[[str, bool], str],
        say: Callable[[str], None],
    ) -> None:
        super().__init__(menu)
        self._menu = menu
        self._find = find
        self._enable = enable
        self._say = say
        menu.setToolTipsVisible(True)
        menu.aboutToShow.connect(self.fill)

    def fill(self) -> None:
        """Offer every meter that is found now; the enabled ones are ticked."""
        self._menu.clear()
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
        action.setToolTip("Named on the command line for this run." if meter.for_this_run else RIGHTS)
        action.triggered.connect(lambda wanted: self._say(self._enable(meter.key, wanted)))
        self._menu.addAction(action)
