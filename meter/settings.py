"""What the program remembers between two starts: one JSON file in the user's configuration folder.

A file that cannot be used is never thrown away: it is kept beside the new one and one sentence says so.
The file also holds calibrations, so only its owner may read it.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path
from typing import Any

import msgspec
import platformdirs

VERSION = 1
FILE_NAME = "settings.json"
ASIDE_SUFFIX = ".unreadable"
MAX_FILE_BYTES = 4_000_000
"""Far above what is ever written; a larger file is not ours and is not read into memory."""

THEMES = ("system", "dark", "light")


class SourceChoice(msgspec.Struct, frozen=True):
    """The source last listened to: kind, stable name and what only that kind knows."""

    kind: str
    name: str = ""
    options: dict[str, Any] = {}
    label: str = ""


class Calibration(msgspec.Struct, frozen=True):
    """What a sound level meter said at the seat, for one source.

    ``offset_db`` is the level at the seat in dB(A) minus the A-weighted level of the feed in dBFS.
    ``measured_on`` is an ISO 8601 date; ``typed_db`` what the user typed with ``weighting`` "A" or "C" while
    ``noise`` ("band" or "wide") played.
    """

    source: str
    offset_db: float
    measured_on: str
    typed_db: float
    weighting: str
    noise: str


class Settings(msgspec.Struct):
    """All that is kept. ``meters`` holds per meter id only what the user chose, not the defaults.

    ``theme`` is one of ``THEMES``. ``geometry`` is the window system's own record, base64; ``width`` and
    ``height`` in points serve where a window may not place itself. ``plugin_folders`` are folders with meters of
    third parties that the user enabled.
    """

    version: int = VERSION
    source: SourceChoice | None = None
    theme: str = "system"
    always_on_top: bool = False
    cautions_read: bool = False
    page: str = "page"
    geometry: str = ""
    width: int = 0
    height: int = 0
    meters: dict[str, dict[str, float | str | bool]] = {}
    calibrations: list[Calibration] = []
    plugin_folders: list[str] = []

    def calibration_for(self, source: str) -> Calibration | None:
        """The calibration made with ``source``, or None."""
        return next((entry for entry in self.calibrations if entry.source == source), None)

    def keep_calibration(self, entry: Calibration) -> None:
        """Keep one calibration per source; the new one replaces the old."""
        self.forget_calibration(entry.source)
        self.calibrations = [*self.calibrations, entry]

    def forget_calibration(self, source: str) -> None:
        """Drop the calibration of ``source`` if there is one."""
        self.calibrations = [entry for entry in self.calibrations if entry.source != source]


def settings_path() -> Path:
    """Where the settings file lies for this user; the folder may not exist yet."""
    return Path(platformdirs.user_config_dir("earwitness", appauthor=False)) / FILE_NAME


def load(path: Path) -> tuple[Settings, str]:
    """The settings of ``path`` and one sentence, empty unless something must be said; never raises."""
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            return _set_aside(path, "it is far too large")
        settings = msgspec.json.decode(path.read_bytes(), type=Settings)
    except FileNotFoundError:
        return Settings(), ""
    except OSError as error:
        return Settings(), f"The settings in {path} cannot be read ({error.strerror}); this session starts fresh."
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        return _set_aside(path, str(error).rstrip("."))
    if settings.version > VERSION:
        return _set_aside(path, "a newer version of this program wrote it")
    settings.version = VERSION
    if settings.theme not in THEMES:
        settings.theme = "system"
    return settings, ""


def save(settings: Settings, path: Path) -> str:
    """Write ``settings`` whole or not at all; an empty string, or one sentence saying why it failed."""
    if path.exists() and not path.is_file():
        return f"The settings cannot be saved as {path}, which is no file; choose another place."
    text = msgspec.json.format(msgspec.json.encode(settings), indent=2)
    temporary = ""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=f".{FILE_NAME}.", dir=path.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        Path(temporary).replace(path)
    except OSError as error:
        if temporary:
            with contextlib.suppress(OSError):
                Path(temporary).unlink()
        return f"The settings cannot be saved in {path.parent} ({error.strerror}); check that the folder is writable."
    return ""


def _set_aside(path: Path, reason: str) -> tuple[Settings, str]:
    aside = path.with_name(path.name + ASIDE_SUFFIX)
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}{ASIDE_SUFFIX}-{number}")
    try:
        path.replace(aside)
    except OSError as error:
        return Settings(), f"The settings in {path} are unusable ({reason}) and cannot be moved: {error.strerror}."
    return Settings(), f"The settings file was unusable ({reason}); it is kept as {aside.name}, and all starts fresh."
