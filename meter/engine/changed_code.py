"""Notices what code by others replaced in our modules and in the libraries that they call, and puts it back.

Watched are functions, classes, their methods, and constants in capitals. What is changed within an object, such as
the numbers of an array, is not seen.
"""

from __future__ import annotations

import gc
import sys
from collections.abc import Callable
from dataclasses import dataclass
from operator import itemgetter
from types import FunctionType, ModuleType
from typing import Any

import numpy as np

OURS = ("dsp", "meter")
LIBRARIES = (
    "builtins", "math", "time", "os", "json", "threading", "numpy", "numpy.fft", "numpy.linalg", "numpy.random",
    "scipy.fft", "scipy.signal", "msgspec", "msgspec.msgpack",
)  # fmt: skip
METHODS = (property, staticmethod, classmethod)
_GONE = object()


@dataclass(frozen=True)
class Kept:
    """A module or class, the names in it that are watched, and what they stood for."""

    owner: Any
    called: str
    names: tuple[str, ...]
    values: tuple[Any, ...]
    get: Callable[[Any], Any]
    seen: Any

    def intact(self) -> bool:
        """True while every name stands for the same object."""
        try:
            # Comparing tuples is quick: the same objects are not asked whether they are equal.
            return bool(self.get(vars(self.owner)) == self.seen)
        except Exception:  # a name is gone, or what stands there cannot be compared
            return False

    def undo(self) -> list[tuple[str, Any]]:
        """Put back what is another object now; returns its full names and what stood there."""
        found = []
        there = vars(self.owner)
        for name, value in zip(self.names, self.values, strict=True):
            now = there.get(name, _GONE)
            if now is not value:
                setattr(self.owner, name, value)
                found.append((f"{self.called}.{name}", now))
        return found


class ChangedCode:
    """``keep`` remembers everything as it is, ``undo`` puts back what was replaced since. [dsp]"""

    def __init__(self) -> None:
        self._kept: list[Kept] = []
        self._code: list[tuple[FunctionType, Any, Any]] = []
        self._modules = 0

    def keep(self) -> None:
        """Remember the modules that are loaded now."""
        self._modules = len(sys.modules)
        owners: dict[int, tuple[Any, str]] = {}
        for name, module in list(sys.modules.items()):
            if isinstance(module, ModuleType) and (name.partition(".")[0] in OURS or name in LIBRARIES):
                owners[id(module)] = module, name
                for value in list(vars(module).values()) if name not in LIBRARIES else ():
                    if isinstance(value, type) and value.__module__.partition(".")[0] in OURS:
                        owners[id(value)] = value, f"{value.__module__}.{value.__qualname__}"
        self._kept = [kept for owner, called in owners.values() if (kept := _kept(owner, called)).names]
        functions = {
            id(value): value
            for kept in self._kept
            for value in kept.values
            if isinstance(value, FunctionType) and value.__module__.partition(".")[0] in OURS
        }
        self._code = [(each, each.__code__, each.__defaults__) for each in functions.values()]

    def keep_new(self) -> None:
        """Remember again if modules were loaded since."""
        if len(sys.modules) != self._modules:
            self.keep()

    def undo(self) -> list[tuple[str, Any]]:
        """Put back what was replaced; returns the full names, and what stood there in between."""
        found = [change for kept in self._kept if not kept.intact() for change in kept.undo()]
        for function, code, defaults in self._code:
            if function.__code__ is not code or function.__defaults__ is not defaults:
                found.append((f"{function.__module__}.{function.__qualname__}", None))
                function.__code__, function.__defaults__ = code, defaults
        return found


def _kept(owner: Any, called: str) -> Kept:
    watched = {name: value for name, value in vars(owner).items() if _is_watched(name, value)}
    get = itemgetter(*watched) if watched else itemgetter("")
    return Kept(owner, called, tuple(watched), tuple(watched.values()), get, get(watched) if watched else ())


def _is_watched(name: str, value: object) -> bool:
    if name.startswith("__") and name.endswith("__") and not isinstance(value, FunctionType):
        return False
    return isinstance(value, METHODS) or callable(value) or (name.isupper() and not name.startswith("_"))


@dataclass(frozen=True)
class ProcessState:
    """Settings of the interpreter and of numpy that hold for all code of the process or of this thread."""

    errors: Any
    recursion: int
    switching: float
    collecting: bool
    tracing: Any
    profiling: Any

    @classmethod
    def now(cls) -> ProcessState:
        """As they are."""
        switching, collecting = sys.getswitchinterval(), gc.isenabled()
        return cls(np.geterr(), sys.getrecursionlimit(), switching, collecting, sys.gettrace(), sys.getprofile())

    def undo(self) -> str:
        """Put them back; returns what was changed in words, empty for nothing."""
        now = self.now()
        if now == self:
            return ""
        np.seterr(**self.errors)
        sys.setrecursionlimit(self.recursion)
        sys.setswitchinterval(self.switching)
        (gc.enable if self.collecting else gc.disable)()
        sys.settrace(self.tracing)
        sys.setprofile(self.profiling)
        words = {
            "errors": "numpy's handling of errors", "recursion": "the recursion limit",
            "switching": "the thread switch interval", "collecting": "the garbage collector",
            "tracing": "the trace function", "profiling": "the profile function",
        }  # fmt: skip
        return ", ".join(said for name, said in words.items() if getattr(now, name) != getattr(self, name))
