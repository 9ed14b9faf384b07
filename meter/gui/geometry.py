"""Where the window was: kept as the window system's own record, and as a plain size where it may not place itself."""

from __future__ import annotations

from PySide6.QtCore import QByteArray, QSize, Qt
from PySide6.QtWidgets import QWidget

from meter.settings import Settings

USUAL_SIZE = QSize(1280, 800)
LEAST_SIZE = QSize(820, 560)


def keep_place(window: QWidget, settings: Settings) -> None:
    """Write the window's place and size into the settings."""
    settings.geometry = bytes(window.saveGeometry().toBase64().data()).decode("ascii")
    if not window.isMaximized() and not window.isFullScreen():
        settings.width, settings.height = window.width(), window.height()


def restore_place(window: QWidget, settings: Settings) -> None:
    """Put the window where it was; Qt brings one that would lie off every screen back onto one."""
    wide, high = settings.width, settings.height
    window.resize(QSize(wide, high).expandedTo(LEAST_SIZE) if wide and high else USUAL_SIZE)
    if settings.geometry:
        window.restoreGeometry(QByteArray.fromBase64(settings.geometry.encode("ascii", "ignore")))


def put_on_top(window: QWidget, on_top: bool) -> None:
    """Keep the window above others, or no longer; Qt hides a window whose flags change, so it is shown again."""
    place, visible = window.saveGeometry(), window.isVisible()
    window.setWindowFlag(Qt.WindowType.WindowStaysOnTopHint, on_top)
    if visible:
        window.show()
        window.restoreGeometry(place)
