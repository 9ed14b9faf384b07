"""Light or dark, and staying above other windows: what the user chose for one window."""

from __future__ import annotations

from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QApplication, QWidget

from meter.gui.geometry import put_on_top
from meter.gui.kit.theme import apply_theme
from meter.settings import Settings

SYSTEM = "system"


class Looks(QObject):
    """Applies the theme of the settings when made; ``changed`` tells of another choice, to be drawn and saved."""

    changed = Signal()

    def __init__(self, window: QWidget, settings: Settings) -> None:
        super().__init__(window)
        self._window, self._settings = window, settings
        self._apply(settings.theme)
        QApplication.styleHints().colorSchemeChanged.connect(self._follow_scheme)

    def choose_theme(self, theme: str) -> None:
        """Use another theme from now on."""
        self._settings.theme = theme
        self._apply(theme)
        self.changed.emit()

    def keep_on_top(self, on_top: bool) -> None:
        """Ask the window system to keep the window above others."""
        self._settings.always_on_top = on_top
        put_on_top(self._window, on_top)
        self.changed.emit()

    def shut_down(self) -> None:
        """Follow the system no more: its signal lives longer than the window."""
        QApplication.styleHints().colorSchemeChanged.disconnect(self._follow_scheme)

    def _follow_scheme(self) -> None:
        if self._settings.theme == SYSTEM:
            self._apply(SYSTEM)

    @staticmethod
    def _apply(theme: str) -> None:
        application = QApplication.instance()
        assert isinstance(application, QApplication)
        apply_theme(application, theme)
