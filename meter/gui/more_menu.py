"""The menu behind “more”: light or dark, on top, the level at the seat, the cautions, the readings as text."""

from __future__ import annotations

from PySide6.QtCore import Signal, SignalInstance
from PySide6.QtGui import QAction, QActionGroup, QGuiApplication
from PySide6.QtWidgets import QMenu, QWidget

THEME_WORDS = (("as the system", "system"), ("dark", "dark"), ("light", "light"))
NOT_HERE = "On Wayland the compositor decides what stays on top; use its own window menu."


def may_stay_on_top() -> bool:
    """False where the window system does not let a program ask for it."""
    return not QGuiApplication.platformName().startswith("wayland")


class MoreMenu(QMenu):
    """Emits what was chosen; the window does it."""

    theme_chosen = Signal(str)
    on_top_chosen = Signal(bool)
    calibrate_asked = Signal()
    turn_asked = Signal()
    cautions_asked = Signal()
    readings_asked = Signal()
    quit_asked = Signal()

    def __init__(self, theme: str, *, on_top: bool, parent: QWidget) -> None:
        super().__init__(parent)
        self.setToolTipsVisible(True)
        self._add("level at the seat…", self.calibrate_asked)
        self._add("I turned the monitor control…\tT", self.turn_asked)
        self._add("about listening time and your ears", self.cautions_asked)
        self.listening = self.addMenu("who listens, and by which rule")
        self._add("readings as text\tL", self.readings_asked)
        self.addSection("light or dark")
        self.themes = self._theme_actions(theme)
        self.addSeparator()
        self.on_top = QAction("keep on top", self)
        self.on_top.setCheckable(True)
        self.on_top.setChecked(on_top and may_stay_on_top())
        self.on_top.setEnabled(may_stay_on_top())
        self.on_top.setToolTip("" if may_stay_on_top() else NOT_HERE)
        self.on_top.toggled.connect(self.on_top_chosen)
        self.addAction(self.on_top)
        self.addSeparator()
        self._add("quit\tCtrl+Q", self.quit_asked)

    def _add(self, words: str, signal: SignalInstance) -> None:
        action = QAction(words, self)
        action.triggered.connect(lambda _=False: signal.emit())
        self.addAction(action)

    def _theme_actions(self, chosen: str) -> dict[str, QAction]:
        group = QActionGroup(self)
        actions: dict[str, QAction] = {}
        for words, value in THEME_WORDS:
            action = QAction(words, group)
            action.setCheckable(True)
            action.setChecked(value == chosen)
            action.triggered.connect(lambda _=False, theme=value: self.theme_chosen.emit(theme))
            self.addAction(action)
            actions[value] = action
        return actions
