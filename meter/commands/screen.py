"""Check for a screen and its libraries before Qt is imported: Qt ends the process when one is missing."""

from __future__ import annotations

import ctypes
import os
import shutil
import socket
import sys
import threading
from pathlib import Path

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


ANSWER_SECONDS = 3.0


def why_no_screen() -> str:
    """The reason why no window can open, as the start of a sentence; empty if one can.

    A display that does not answer, as after a change of account, would make Qt end the process.
    """
    platform = os.environ.get("QT_QPA_PLATFORM") or "xcb"
    if sys.platform != "linux" or not platform.startswith(("xcb", "wayland")):
        return ""
    named = {name: os.environ.get(name, "") for name in ("WAYLAND_DISPLAY", "DISPLAY")}
    if not any(named.values()):
        return "There is no display here"
    if _wayland_answers(named["WAYLAND_DISPLAY"]) or _x_answers(named["DISPLAY"]):
        return ""
    return f"The display {' or '.join(filter(None, named.values()))} does not answer, or not to this account"


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


def _wayland_answers(display: str) -> bool:
    """True when a server listens at the socket of that name, in the session's folder or a whole path."""
    path = Path(os.environ.get("XDG_RUNTIME_DIR", ""), display)
    if not display or not path.is_absolute():
        return False
    try:
        with socket.socket(socket.AF_UNIX) as link:
            link.settimeout(ANSWER_SECONDS)
            link.connect(str(path))
    except OSError:
        return False
    return True


def _x_answers(display: str) -> bool:
    """True when the X server of that name accepts a connection; also without the X library, checked later."""
    if not display:
        return False
    try:
        xcb = ctypes.CDLL("libxcb.so.1")
    except OSError:
        return True
    answers: list[bool] = []
    # In a thread, because the call has no timeout: a server may accept and never answer.
    asking = threading.Thread(target=lambda: answers.append(_x_admits(xcb, display)), name="display", daemon=True)
    asking.start()
    asking.join(ANSWER_SECONDS)
    return any(answers)


def _x_admits(xcb: ctypes.CDLL, display: str) -> bool:
    xcb.xcb_connect.argtypes = (ctypes.c_char_p, ctypes.c_void_p)
    xcb.xcb_connect.restype = ctypes.c_void_p
    xcb.xcb_connection_has_error.argtypes = xcb.xcb_disconnect.argtypes = (ctypes.c_void_p,)
    connection = xcb.xcb_connect(os.fsencode(display), None)
    refused = xcb.xcb_connection_has_error(connection)
    xcb.xcb_disconnect(connection)
    return not refused
