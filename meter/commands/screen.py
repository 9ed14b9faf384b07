"""Is there a screen to open a window on? Asked before Qt is: Qt ends the process when something is missing."""

from __future__ import annotations

import ctypes
import os
import shutil
import sys

from meter.commands.errors import MISSING_PART, CommandError

LIBRARIES = (
    "libxcb-cursor.so.0", "libxcb-icccm.so.4", "libxcb-image.so.0", "libxcb-keysyms.so.1", "libxcb-randr.so.0",
    "libxcb-render-util.so.0", "libxcb-shape.so.0", "libxcb-sync.so.1", "libxcb-xfixes.so.0", "libxcb-xkb.so.1",
    "libxkbcommon-x11.so.0", "libEGL.so.1", "libGL.so.1", "libfontconfig.so.1", "libdbus-1.so.3",
)  # fmt: skip
"""What Qt's xcb platform loads on Linux."""
PACKAGES = {
    "apt": "sudo apt install libxcb-cursor0 libxcb-icccm4 libxcb-image0 libxcb-keysyms1 libxcb-randr0 "
    "libxcb-render-util0 libxcb-shape0 libxcb-sync1 libxcb-xfixes0 libxcb-xkb1 libxkbcommon-x11-0 libegl1 libgl1 "
    "libfontconfig1 libdbus-1-3",
    "dnf": "sudo dnf install xcb-util-cursor xcb-util-wm xcb-util-image xcb-util-keysyms xcb-util-renderutil "
    "libxkbcommon-x11 mesa-libEGL mesa-libGL fontconfig dbus-libs",
    "pacman": "sudo pacman -S xcb-util-cursor xcb-util-wm xcb-util-image xcb-util-keysyms xcb-util-renderutil "
    "libxkbcommon-x11 libglvnd fontconfig dbus",
}


def has_screen() -> bool:
    """True on systems that always have one, and where a display or another platform of Qt's is named."""
    if sys.platform != "linux":
        return True
    return any(os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"))


def missing_libraries() -> list[str]:
    """Libraries of ``LIBRARIES`` that cannot be loaded here; none on other systems."""
    if sys.platform != "linux":
        return []
    return [name for name in LIBRARIES if not _loads(name)]


def require_libraries() -> None:
    """Raise CommandError with the line that installs what is missing."""
    missing = missing_libraries()
    if missing:
        raise CommandError(f"A window needs {', '.join(missing)}. {install_line(PACKAGES)}", MISSING_PART)


def install_line(lines: dict[str, str]) -> str:
    """The line for this system's package manager, or for the first known one."""
    manager = next((name for name in lines if shutil.which(name)), next(iter(lines)))
    return f"Run: {lines[manager]}"


def _loads(name: str) -> bool:
    try:
        ctypes.CDLL(name)
    except OSError:
        return False
    return True
