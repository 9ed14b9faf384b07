"""Refuses calls by which code of a meter by others would end, replace or copy the process, or end the window.

An audit hook sees what Python reports (``os.fork``, ``os.kill``, …); ``os._exit`` and the like are replaced by
functions that ask who calls. What is refused raises RuntimeError in the caller and is noted. Code that goes past
Python (ctypes) is not seen here: an engine that ends in it is replaced (``blame``).
"""

from __future__ import annotations

import _thread
import os
import sys
import threading
from collections.abc import Callable
from functools import partial
from typing import Any

from meter.engine.guests import Guests
from meter.plugin.where import reason_of

END_PROCESS = os._exit
"""As it was before anybody replaced it."""
TO_OTHERS = ("os.kill", "os.killpg", "signal.pthread_kill")
REFUSED = {
    "os.fork": "copy the program",
    "os.forkpty": "copy the program",
    "os.exec": "replace the program",
    "os.kill": "end the program",
    "os.killpg": "end the program",
    "signal.pthread_kill": "end the program",
    "resource.setrlimit": "limit the program",
    "resource.prlimit": "limit the program",
}
REPLACED = (("posix", "_exit"), ("nt", "_exit"), ("os", "_exit"), ("posix", "abort"), ("nt", "abort"),
            ("os", "abort"), ("_signal", "raise_signal"), ("signal", "raise_signal"),
            ("_signal", "alarm"), ("signal", "alarm"), ("_signal", "setitimer"), ("signal", "setitimer"))  # fmt: skip

_at_work: ForbiddenCalls | None = None
_hooked = False


class ForbiddenCalls:
    """In force between ``install`` and ``remove``; at most one is. [any]"""

    def __init__(self, guests: Guests) -> None:
        self._guests = guests
        self._before: list[tuple[Any, str, Any]] = []
        self._old_hook = threading.excepthook
        self._own = frozenset((0, -1, os.getpid(), os.getppid()))

    def install(self) -> None:
        """Refuse from now on. The audit hook of a process cannot be taken back; it does nothing after ``remove``."""
        global _at_work, _hooked
        for module_name, name in REPLACED:
            module = sys.modules.get(module_name)
            if hasattr(module, name):
                self._replace(module, name, partial(self._asking, f"{module_name.lstrip('_')}.{name}"))
        self._replace(threading.Thread, "start", self._noting_thread)
        self._replace(_thread, "start_new_thread", self._noting_raw_thread)
        self._old_hook, threading.excepthook = threading.excepthook, self._on_exception
        _at_work = self
        if not _hooked:
            _hooked = True
            sys.addaudithook(_audit)

    def remove(self) -> None:
        """Take back what was replaced."""
        global _at_work
        _at_work = None
        for owner, name, before in self._before:
            setattr(owner, name, before)
        self._before = []
        threading.excepthook = self._old_hook

    def judge(self, event: str, words: tuple[Any, ...]) -> None:
        """One event of the audit hook; raises RuntimeError when it is refused."""
        meter = self._guests.at(sys._getframe(1))
        if meter and (event not in TO_OTHERS or self._hits_us(event, words)):
            self._refuse(meter, event, REFUSED[event])

    def _hits_us(self, event: str, words: tuple[Any, ...]) -> bool:
        """Whether a signal goes to this process, its group or the window."""
        if event == "os.killpg":
            return bool(words[0] == os.getpgrp() and words[1] != 0)
        return event != "os.kill" or (words[0] in self._own and words[1] != 0)

    def _refuse(self, meter: str, call: str, what: str) -> None:
        reason = f"it tried to {what} ({call})"
        self._guests.note(meter, reason)
        raise RuntimeError(reason)

    def _replace(self, owner: Any, name: str, made_of: Callable[[Callable[..., Any]], Callable[..., Any]]) -> None:
        before = getattr(owner, name)
        self._before.append((owner, name, before))
        setattr(owner, name, made_of(before))

    def _noting_thread(self, before: Callable[..., Any]) -> Callable[..., Any]:
        def start(thread: threading.Thread) -> None:
            if meter := self._guests.at(sys._getframe(1)):
                self._guests.take_thread(thread, meter)
            before(thread)

        return start

    def _noting_raw_thread(self, before: Callable[..., Any]) -> Callable[..., Any]:
        def start(function: Callable[..., Any], *words: Any) -> Any:
            meter = self._guests.at(sys._getframe(1))

            def run(*arguments: Any, **named: Any) -> None:
                self._guests.take_thread(threading.current_thread(), meter)
                function(*arguments, **named)

            return before(run if meter else function, *words)

        return start

    def _asking(self, call: str, before: Callable[..., Any]) -> Callable[..., Any]:
        def ask(*words: Any, **more: Any) -> Any:
            meter = self._guests.at(sys._getframe(1))
            if meter:
                self._refuse(meter, call, "end the program")
            return before(*words, **more)

        return ask

    def _on_exception(self, found: threading.ExceptHookArgs) -> None:
        """An exception that ends a thread."""
        meter = self._guests.of_thread(found.thread) if found.thread is not None else ""
        if not meter or found.exc_value is None:
            self._old_hook(found)
            return
        why = reason_of(found.exc_value, self._guests.folder_of(meter))
        self._guests.note(meter, f"a thread of it failed ({why})")


def _audit(event: str, words: tuple[Any, ...]) -> None:
    if event in REFUSED and _at_work is not None:
        _at_work.judge(event, words)
