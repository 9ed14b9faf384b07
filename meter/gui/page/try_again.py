"""One click loads a meter that was set aside again: in its card, in the window's menu and in the feed line."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Mapping
from typing import Protocol

from PySide6.QtCore import QRect, Qt
from PySide6.QtWidgets import QPushButton

from meter.gui.kit.theme import SUBTITLE_PX, current_theme, px
from meter.gui.source.feed_line import FeedLine
from meter.plugin.face import Face

WORDS = "try again"
UNDERSTOOD = "understood"
TRIED = "{} is tried again"
BESIDE_PX = 20
LEAST_WIDTH_PX = 150
"""A card narrower than this has no room beside the words “set aside”; the window's menu offers the same."""


class TryAgainButton(QPushButton):
    """Stands in the first line of a card, at the right, beside the words "set aside". [gui]"""

    def __init__(self, face: Face) -> None:
        super().__init__(WORDS, face)
        self._face = face
        self._look = ""
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self.hide()

    def offer(self, wanted: bool) -> None:
        """Show it in its place, or hide it."""
        inside = self._face.inside
        if not wanted or inside.width() < px(LEAST_WIDTH_PX):
            self.hide()
            return
        self._colour()
        size = self.fontMetrics().size(0, WORDS)
        width, height = size.width() + px(BESIDE_PX), size.height() + px(4)
        self.setGeometry(QRect(inside.right() - width + 1, inside.top() - px(3), width, height))
        self.setAccessibleName(f"{self._face.title}: {WORDS}")
        self.show()

    def _colour(self) -> None:
        """Take colours and text size; a style sheet is dear, so only another one."""
        theme = current_theme()
        look = f"{theme.name} {px(SUBTITLE_PX)}"
        if look == self._look:
            return
        self._look = look
        self.setStyleSheet(
            f"QPushButton {{ border: 1px solid {theme.soft.name()}; border-radius: 6px;"
            f" background: {theme.trough.name()}; color: {theme.ink.name()}; font-size: {px(SUBTITLE_PX)}px; }}"
            f"QPushButton:hover, QPushButton:focus {{ border-color: {theme.measured.name()}; }}"
        )
        self.ensurePolished()


def forget_views(folder: str) -> None:
    """Import the modules of this folder that hold faces again at their next use, as they are then on disk."""
    for name, module in list(sys.modules.items()):
        file = getattr(module, "__file__", None) or ""
        theirs = file.startswith(folder) and name.partition(".")[0] != "meter"
        if theirs and any(isinstance(each, type) and issubclass(each, Face) for each in list(vars(module).values())):
            del sys.modules[name]
    importlib.invalidate_caches()


class TriesAgain(Protocol):
    """The engine's side of it."""

    def meters_set_aside(self) -> Mapping[str, str]:
        """Instances that are set aside now, with one sentence each."""
        ...

    def try_again(self, meter_id: str) -> None:
        """Load this meter again and let it measure from now on."""
        ...


class TryAgain:
    """Offers it in the feed line when a meter is set aside, and by name for the menu. [gui]

    ``names`` has what each instance is called.
    """

    def __init__(self, link: TriesAgain, names: Mapping[str, str], line: FeedLine) -> None:
        self._link = link
        self._names = names
        self._line = line

    def by_name(self) -> dict[str, str]:
        """What is set aside now, by the name in the menu, with the sentence that says why."""
        return {self._name(meter): why for meter, why in self._link.meters_set_aside().items()}

    def tell(self, meter_id: str, sentence: str) -> None:
        """A meter was set aside just now: say so, and offer to try it again."""
        self._line.ask(sentence, [(WORDS, lambda: self.try_again(meter_id)), (UNDERSTOOD, lambda: None)])

    def try_name(self, name: str) -> None:
        """Try the meters again that are called this."""
        for meter in self._link.meters_set_aside():
            if self._name(meter) == name:
                self.try_again(meter)

    def try_again(self, meter_id: str) -> None:
        """Try one again; what the feed line says of it goes."""
        if sentence := self._link.meters_set_aside().get(meter_id):
            self._line.withdraw(sentence)
        self._line.flash(TRIED.format(self._name(meter_id)))
        self._link.try_again(meter_id)

    def _name(self, meter_id: str) -> str:
        return self._names.get(meter_id, meter_id)
