"""Is there a screen to open a window on? Asked before Qt is: Qt ends the process when it finds none."""

from __future__ import annotations

import os
import sys


def has_screen() -> bool:
    """True on systems that always have one, and where a display or another platform of Qt's is named."""
    if sys.platform != "linux":
        return True
    return any(os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"))
