"""Settings of several windows in one file: each writes only its changes, under a lock.

Each window has a copy. Keys that it did not change since it last read or wrote are taken from the file: a field, a
setting of a meter, the calibration of one output at one monitor setting.
"""

from __future__ import annotations

import contextlib
import copy
import os
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from meter.settings import Settings, load, save

if sys.platform != "win32":
    import fcntl

LOCK_SUFFIX = ".lock"
LOCK_SECONDS = 1.0
"""A stopped program may hold the lock without end; after this time the file is written without it, whole, so that
no half of it is ever read."""
LOCK_POLL_SECONDS = 0.02
PRIVATE_FILE = 0o600

Key = tuple[Any, ...]
LISTS: dict[str, Callable[[Any], Key]] = {
    "calibrations": lambda entry: (entry.source, entry.heard_on, entry.setting),
    "monitor_settings": lambda entry: (entry.source, entry.heard_on, entry.name),
    "monitor_states": lambda entry: (entry.source,),
    "instances": lambda entry: (entry.id,),
}
"""Fields that are lists, and the key of an entry."""
TAKEN_OVER = ("calibrations", "monitor_settings", "monitor_states", "feed_maps")
"""Fields about sources, shared by all windows; other fields belong to one window."""


class SharedSettings:
    """The settings of one window in a file that others write too. ``settings`` is as it was just loaded."""

    def __init__(self, settings: Settings, path: Path) -> None:
        self._mine = settings
        self._path = path
        self._base = copy.deepcopy(settings)

    def save(self) -> str:
        """Write what changed since the last save; return an empty string or one sentence about a fault.

        Afterwards the settings also hold what other windows saved about sources.
        """
        with _locked(self._path):
            there = self._path.is_file()
            found, said = load(self._path) if there else (self._mine, "")
            if said and self._path.exists():
                return said  # it could neither be read nor moved, so it is not overwritten
            merged = merged_settings(self._base, self._mine, found) if there and not said else self._mine
            failed = save(merged, self._path)
        if not failed:
            for name in TAKEN_OVER:
                setattr(self._mine, name, copy.deepcopy(getattr(merged, name)))
            self._base = copy.deepcopy(self._mine)
        return " ".join(sentence for sentence in (said, failed) if sentence)


def merged_settings(base: Settings, mine: Settings, theirs: Settings) -> Settings:
    """``theirs`` with every key that differs between ``base`` and ``mine`` as in ``mine``."""
    before, now, flat = _flat(base), _flat(mine), _flat(theirs)
    for key in {**before, **now}:
        if key not in now:
            flat.pop(key, None)
        elif key not in before or before[key] != now[key]:
            flat[key] = now[key]
    return _whole(flat)


def _flat(settings: Settings) -> dict[Key, Any]:
    flat: dict[Key, Any] = {}
    for name in settings.__struct_fields__:
        value = getattr(settings, name)
        if name in LISTS:
            flat |= {(name, *LISTS[name](entry)): entry for entry in value}
        elif name == "meters":
            flat |= {(name, meter, key): chosen for meter, kept in value.items() for key, chosen in kept.items()}
        elif isinstance(value, dict):
            flat |= {(name, key): entry for key, entry in value.items()}
        else:
            flat[(name,)] = value
    return flat


def _whole(flat: dict[Key, Any]) -> Settings:
    settings = Settings()
    for (name, *rest), value in flat.items():
        if name in LISTS:
            getattr(settings, name).append(value)
        elif name == "meters":
            settings.meters.setdefault(rest[0], {})[rest[1]] = value
        elif rest:
            getattr(settings, name)[rest[0]] = value
        else:
            setattr(settings, name, value)
    return settings


@contextlib.contextmanager
def _locked(path: Path) -> Iterator[None]:
    """Hold the lock beside ``path``; continue without it after a second, or where none can be made."""
    handle = -1
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path.with_name(path.name + LOCK_SUFFIX), os.O_RDWR | os.O_CREAT, PRIVATE_FILE)
        end = time.monotonic() + LOCK_SECONDS
        while not _lock(handle) and time.monotonic() < end:
            time.sleep(LOCK_POLL_SECONDS)
    try:
        yield
    finally:
        if handle >= 0:
            os.close(handle)


def _lock(handle: int) -> bool:
    """True when the lock is held; a system without such locks relies on the whole replacement."""
    if sys.platform == "win32":
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
