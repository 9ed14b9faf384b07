"""The menu behind “more”: pages, feeds, the level at the seat, the cautions, readings as text, light or dark."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Signal, SignalInstance
from PySide6.QtGui import QAction, QActionGroup, QGuiApplication
from PySide6.QtWidgets import QMenu, QWidget

from meter.marks import AT_PLAY_NOTHING, AT_PLAY_PASS, AT_PLAY_RESET

THEME_WORDS = (("as the system", "system"), ("dark", "dark"), ("light", "light"))
AT_PLAY_WORDS = (
    ("begin a pass: figures since the mark restart", AT_PLAY_PASS),
    ("reset (R): figures since R restart", AT_PLAY_RESET),
    ("nothing", AT_PLAY_NOTHING),
)
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
    day_asked = Signal()
    quit_asked = Signal()
    mark_asked = Signal()
    marks_asked = Signal()
    at_play_chosen = Signal(str)
    feeds_asked = Signal()
    tap_asked = Signal()
    tempo_asked = Signal()
    page_chosen = Signal(int)
    action_asked = Signal(str)

    def __init__(self, theme: str, *, on_top: bool, parent: QWidget) -> None:
        super().__init__(parent)
        self.setToolTipsVisible(True)
        self.pages = self.addMenu("page")
        self._add("mark: figures since the mark begin here\tK", self.mark_asked)
        self._add("list of marks, overs and clipped runs…\tJ", self.marks_asked)
        self.at_play = self.addMenu("when play starts after a stop")
        self._add("name the feeds…\tF", self.feeds_asked)
        self.cards = self.addMenu("meters on other feeds")
        self.addAction("reference files…").triggered.connect(lambda _=False: self.action_asked.emit("references"))
        self._add("tap the tempo\tB", self.tap_asked)
        self._add("type the tempo…", self.tempo_asked)
        self.addSeparator()
        self._add("calibrate the listening level…", self.calibrate_asked)
        self._add("I moved the monitor knob…\tT", self.turn_asked)
        self._add("about listening time and your ears", self.cautions_asked)
        self.listening = self.addMenu("listener and exposure rule")
        self._add("readings as text\tL", self.readings_asked)
        self._add("the day as it was recorded\tD", self.day_asked)
        self.others = self.addMenu("third-party meters")
        self.presets = self.addMenu("presets")
        self.addSeparator()
        self.looks = self.addMenu("light or dark")
        self.themes = self._offer(self.looks, THEME_WORDS, theme, self.theme_chosen)
        self.on_top = QAction("keep on top", self)
        self.on_top.setCheckable(True)
        self.on_top.setChecked(on_top and may_stay_on_top())
        self.on_top.setEnabled(may_stay_on_top())
        self.on_top.setToolTip("" if may_stay_on_top() else NOT_HERE)
        self.on_top.toggled.connect(self.on_top_chosen)
        self.addAction(self.on_top)
        self.addSeparator()
        self._add("quit\tCtrl+Q", self.quit_asked)

    def show_at_play(self, chosen: str) -> None:
        """Offer what may happen when play starts; ``chosen`` is ticked."""
        self.at_play.clear()
        self._offer(self.at_play, AT_PLAY_WORDS, chosen, self.at_play_chosen)

    def show_pages(self, names: Sequence[str], shown: int) -> None:
        """Offer these pages; the one that is shown is ticked."""
        self.pages.clear()
        self.pages.menuAction().setVisible(len(names) > 1)
        for number, name in enumerate(names):
            action = self.pages.addAction(f"{name}\t{number + 1}")
            action.setCheckable(True)
            action.setChecked(number == shown)
            action.triggered.connect(lambda _=False, chosen=number: self.page_chosen.emit(chosen))

    def _add(self, words: str, signal: SignalInstance) -> None:
        action = QAction(words, self)
        action.triggered.connect(lambda _=False: signal.emit())
        self.addAction(action)

    def _offer(
        self, menu: QMenu, offers: Sequence[tuple[str, str]], chosen: str, signal: SignalInstance
    ) -> dict[str, QAction]:
        """One of several in ``menu``, each ``(words, value)``; ``signal`` carries the value. Actions by value."""
        group = QActionGroup(menu)
        actions: dict[str, QAction] = {}
        for words, value in offers:
            action = QAction(words, group)
            action.setCheckable(True)
            action.setChecked(value == chosen)
            action.triggered.connect(lambda _=False, choice=value: signal.emit(choice))
            menu.addAction(action)
            actions[value] = action
        return actions
