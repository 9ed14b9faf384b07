"""Meters by others in the engine's process: whose code runs, which threads are theirs, what was noticed of them."""

from __future__ import annotations

import os
import sys
import threading
from collections import deque
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import FrameType
from weakref import WeakKeyDictionary

from meter.plugin.host import Plugin
from meter.plugin.where import key_of_code

MOST_NOTES = 100


class Guests:
    """All methods may be called from any thread. [any]

    ``folders`` maps the folder of each meter's code, with a separator at its end, to the meter's id.
    """

    def __init__(self, folders: Mapping[str, str]) -> None:
        self._folders = dict(folders)
        self._threads: WeakKeyDictionary[threading.Thread, str] = WeakKeyDictionary()
        self._notes: deque[tuple[str, str]] = deque(maxlen=MOST_NOTES)

    @classmethod
    def among(cls, plugins: Iterable[Plugin]) -> Guests:
        """Those of these meters that are not ours."""
        found: dict[str, str] = {}
        for plugin in plugins:
            if not plugin.ours:
                for folder in {str(plugin.folder.absolute()), os.path.realpath(plugin.folder)}:
                    found[folder.rstrip(os.sep) + os.sep] = plugin.id
        return cls(found)

    def __bool__(self) -> bool:
        return bool(self._folders)

    def at(self, frame: FrameType | None) -> str:
        """The meter whose code is on this stack of the calling thread, or whose thread this is; empty for none."""
        return key_of_code(frame, self._folders) or self._threads.get(threading.current_thread(), "")

    def of_thread(self, thread: threading.Thread) -> str:
        """The meter that started this thread or whose code it runs; empty for none."""
        running = sys._current_frames().get(thread.ident or 0)
        return self._threads.get(thread, "") or key_of_code(running, self._folders)

    def of_code(self, function: object) -> str:
        """The meter in whose files a function or class was written; empty where that cannot be told."""
        module = sys.modules.get(getattr(function, "__module__", None) or "")
        file = getattr(getattr(function, "__code__", None), "co_filename", None) or getattr(module, "__file__", None)
        return next((name for folder, name in self._folders.items() if str(file).startswith(folder)), "")

    def folder_of(self, meter: str) -> Path | None:
        """Where the code of a meter lies."""
        return next((Path(folder) for folder, name in self._folders.items() if name == meter), None)

    def take_thread(self, thread: threading.Thread, meter: str) -> None:
        """This thread was started by code of this meter."""
        self._threads[thread] = meter

    def note(self, meter: str, reason: str) -> None:
        """Keep a reason to set a meter aside, until ``notes`` is called."""
        self._notes.append((meter, reason))

    def notes(self) -> list[tuple[str, str]]:
        """What was noticed since the last call: meters and reasons."""
        found = []
        while self._notes:
            found.append(self._notes.popleft())
        return found
