"""The window's menu of presets: keep a file as one of the user's own, and write the shown page into a file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import QObject
from PySide6.QtWidgets import QFileDialog, QMenu

IMPORT, EXPORT = "import a preset file…", "export this page…"
FILES = "presets (*.toml)"


class PresetsMenu(QObject):
    """``keep(path)`` and ``export(page, path)`` do it and return a sentence for ``say``; ``shown`` names the page."""

    def __init__(
        self,
        menu: QMenu,
        keep: Callable[[Path], str],
        export: Callable[[str, Path], str],
        shown: Callable[[], str],
        say: Callable[[str], None],
    ) -> None:
        super().__init__(menu)
        self._menu = menu
        self._keep = keep
        self._export = export
        self._shown = shown
        self._say = say
        menu.addAction(IMPORT).triggered.connect(lambda _=False: self.ask_import())
        menu.addAction(EXPORT).triggered.connect(lambda _=False: self.ask_export())

    def ask_import(self) -> None:
        """Ask for a file and keep a copy."""
        path, _ = QFileDialog.getOpenFileName(self._menu.parentWidget(), "import a preset", "", FILES)
        if path:
            self._say(self._keep(Path(path)))

    def ask_export(self) -> None:
        """Ask for a place and write the shown page there."""
        page = self._shown()
        path, _ = QFileDialog.getSaveFileName(self._menu.parentWidget(), "export this page", f"{page}.toml", FILES)
        if path:
            self._say(self._export(page, Path(path)))
