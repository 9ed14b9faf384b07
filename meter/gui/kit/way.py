"""The button of a card whose readings need named feeds: it leads to the names, or to a source with more channels."""

from __future__ import annotations

from collections.abc import Mapping

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QPushButton, QWidget

from meter.gui.kit.theme import TEXT_PX, Theme, px
from meter.readings import Frame

MIX_CHANNELS = 2
FEEDS, SOURCE = "feeds", "source"
"""What the button asks of the window."""


class Way:
    """To the feeds where there are channels for them, otherwise to the sources.

    ``ways`` has, for each of the two, what the button says and the sentences beside it.
    """

    def __init__(self, parent: QWidget, ways: Mapping[str, tuple[str, str]]) -> None:
        self._ways = ways
        self.action = self._look = ""
        self.button = QPushButton(parent)
        self.button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.button.setCursor(Qt.CursorShape.PointingHandCursor)
        self.button.hide()

    def point(self, frame: Frame) -> str:
        """Lead where the source allows; returns the sentences that say so."""
        most = max(frame.status.channels, frame.status.device_channels)
        self.action = FEEDS if most > MIX_CHANNELS else SOURCE
        text, sentences = self._ways[self.action]
        if text != self.button.text():
            self.button.setText(text)
        return sentences

    def colour(self, theme: Theme) -> None:
        """Take colours and text size; a style sheet is dear, so only another one."""
        look = f"{theme.name} {px(TEXT_PX)}"
        if look == self._look:
            return
        self._look = look
        self.button.setStyleSheet(
            f"QPushButton {{ border: 1px solid {theme.soft.name()}; border-radius: 6px;"
            f" background: {theme.trough.name()}; color: {theme.ink.name()}; font-size: {px(TEXT_PX)}px; }}"
            f"QPushButton:hover, QPushButton:focus {{ border-color: {theme.measured.name()}; }}"
        )
