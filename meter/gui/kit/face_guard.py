"""Guard for faces by others: one that throws, ends the program or never returns is set aside; the window goes on.

Every method of such a face is called through the guard, from our code and from Qt. What it raises becomes its fault,
``SystemExit`` included. A thread interrupts code of a face that blocks the window. Code that cannot be interrupted,
such as one long call into C, is named in a file (``face_marker``); the next start leaves its face out. Our own faces
are called directly.
"""

from __future__ import annotations

import contextlib
import functools
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from types import FrameType, FunctionType, TracebackType
from typing import Any, NoReturn, cast

import shiboken6
from PySide6.QtCore import QCoreApplication, QSize, QTimer
from PySide6.QtWidgets import QWidget

from meter.gui.engine_link import Foreign
from meter.gui.kit.face_marker import FaceMarker
from meter.plugin import where
from meter.plugin.face import Face
from meter.plugin.where import folder_of

STUCK_SECONDS = 4.0
"""A face that blocks the window for this long is interrupted."""
LOOK_SECONDS = 0.5
BEAT_MS = 250
LONGEST_REASON = 200
FAILED = "Its view failed: "
RESULTS: dict[str, type | tuple[type, ...]] = {
    "subtitle": str,
    "value_text": str,
    "settled_words": str,
    "choices": (tuple, list),
}
ATTRIBUTES: dict[str, type | tuple[type, ...]] = {
    "short_subtitle": (str, property),
    "least": QSize,
    "preferred": QSize,
}
"""Types that a face must return or define."""
QUITS = ("quit", "exit")
NOT_THEIRS = ("setting_chosen", "action_asked")
STUCK = f"it kept the window waiting for {STUCK_SECONDS:.0f} s"


class FaceStuck(BaseException):
    """Raised in the code of a face that never returned; no ``except Exception`` of that code stops it."""


class FaceGuard:
    """Calls and watches faces by others; one for the whole process. [gui]"""

    def __init__(self) -> None:
        self._marker = FaceMarker(None)
        self._folder: Path | None = None
        self._folders: dict[str, list[Face]] = {}
        self._beat_at = 0.0
        self._timer: QTimer | None = None
        self._ended = threading.Event()
        self._old_hook = sys.excepthook
        self._old_exit: Callable[..., NoReturn] = sys.exit
        self._old_quits: list[Any] = []

    def use_folder(self, folder: Path | None) -> None:
        """Write the marks of running faces into this folder from now on."""
        self._folder = folder

    def load(self, foreign: Foreign, load: Callable[[], Any]) -> Face:
        """Import and make a face by others; raises ImportError with one sentence for everything that goes wrong."""
        self._start()
        self._folders.setdefault(foreign.folder, [])
        number = self._marker.register(foreign.key)
        try:
            with self._at_work(number):
                made = load()
                if not (isinstance(made, type) and issubclass(made, Face)):
                    raise ImportError("it is not made from meter.plugin.face.Face")
                face: Any = guarded_class(made, self, number)()
                if face.broken:
                    raise ImportError(face.broken.removeprefix(FAILED))
        except BaseException as error:
            if where.interrupted(error):
                raise
            raise ImportError(reason_of(error, Path(foreign.folder))) from error
        self._folders[foreign.folder] = [*filter(shiboken6.isValid, self._folders[foreign.folder]), face]
        return cast(Face, face)

    def call(self, face: Any, number: int, inner: Callable[[], Any], instead: Callable[[], Any]) -> Any:
        """Call ``inner`` of a face; after its first failure always ``instead``."""
        if face.broken:
            return instead()
        try:
            with self._at_work(number):
                return inner()
        except BaseException as error:
            if where.interrupted(error):
                raise
            face.break_off(reason_of(error, folder_of(type(face))))
            return instead()

    def asked_by_face(self) -> bool:
        """True when code of a face by others is on the stack of the caller: it may not close the window."""
        return bool(self._folder_of(sys._getframe(1)))

    def is_at_work(self, number: int) -> bool:
        """True while code of this face runs."""
        return self._marker.at_work == number != 0

    @contextlib.contextmanager
    def _at_work(self, number: int) -> Iterator[None]:
        before = self._marker.at_work
        self._beat_at = time.monotonic()
        self._marker.mark(number)
        try:
            yield
        finally:
            self._marker.mark(before)

    # Watching

    def _start(self) -> None:
        if self._timer is not None:
            return
        self._marker = FaceMarker(self._folder)
        self._ended = threading.Event()
        self._timer = QTimer()
        self._timer.setInterval(BEAT_MS)
        self._timer.timeout.connect(self._beat)
        self._timer.start()
        self._beat()
        self._old_hook, sys.excepthook = sys.excepthook, self._on_exception
        # Qt's bindings end the process at a SystemExit from a function that is no method of a face.
        self._old_exit, sys.exit = sys.exit, self._exit
        self._old_quits = [QCoreApplication.quit, QCoreApplication.exit]
        for name, before in zip(QUITS, self._old_quits, strict=True):
            setattr(QCoreApplication, name, staticmethod(partial(self._quit, before)))
        if hasattr(signal, "SIGALRM"):
            signal.signal(signal.SIGALRM, self._interrupt)
        threading.Thread(target=self._watch, args=(self._ended,), name="face watchdog", daemon=True).start()
        application = QCoreApplication.instance()
        if application is not None:
            application.aboutToQuit.connect(self.stop)

    def stop(self) -> None:
        """Stop watching: the window closes normally."""
        self._ended.set()
        self._marker.close()
        if self._timer is not None:
            self._timer.stop()
            self._timer = None
            sys.excepthook = self._old_hook
            sys.exit = self._old_exit
            for name, before in zip(QUITS, self._old_quits, strict=True):
                setattr(QCoreApplication, name, before)
            if hasattr(signal, "SIGALRM"):
                signal.signal(signal.SIGALRM, signal.SIG_IGN)  # one may still be under way
        self._folders.clear()

    def _beat(self) -> None:
        self._beat_at = time.monotonic()

    def _watch(self, ended: threading.Event) -> None:
        """[watchdog] Interrupt the window's thread when it stands still within a face by others."""
        main = threading.main_thread().ident
        while not ended.wait(LOOK_SECONDS):
            if time.monotonic() - self._beat_at < STUCK_SECONDS or main is None:
                continue
            if not self._folder_of(sys._current_frames().get(main)) or ended.is_set():
                continue
            if hasattr(signal, "SIGALRM"):
                signal.pthread_kill(main, signal.SIGALRM)
            else:
                _raise_in(main)

    def _interrupt(self, _number: int, frame: FrameType | None) -> None:
        """The window's thread was interrupted; it may have left the face in the meantime."""
        if self._folder_of(frame) and time.monotonic() - self._beat_at >= STUCK_SECONDS:
            raise FaceStuck(STUCK)

    def _folder_of(self, frame: FrameType | None) -> str:
        """Folder of the innermost code by others that is being run, or an empty string."""
        return where.key_of_code(frame, {folder: folder for folder in self._folders})

    def _exit(self, status: Any = None) -> NoReturn:
        """In the place of ``sys.exit`` while there are faces by others: code of theirs does not end the program."""
        if self._folder_of(sys._getframe(1)):
            raise RuntimeError("it tried to end the program")
        self._old_exit(status)

    def _quit(self, before: Callable[..., None], *words: Any) -> None:
        """In the place of ``quit`` and ``exit`` of the application, likewise."""
        if self._folder_of(sys._getframe(1)):
            raise RuntimeError("it tried to end the program")
        before(*words)

    def _on_exception(self, kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
        """What comes from parts of a face that its guard does not see, such as a button in it."""
        step = trace
        while step is not None:
            folder = self._folder_of(step.tb_frame)
            if folder:
                for face in filter(shiboken6.isValid, self._folders[folder]):  # a card may have been removed
                    face.break_off(reason_of(error, Path(folder)))  # type: ignore[attr-defined]
                return
            step = step.tb_next
        self._old_hook(kind, error, trace)


GUARD = FaceGuard()


def guarded_class(made: type[Face], guard: FaceGuard, number: int) -> type[Face]:
    """A class like ``made`` in which every method that others wrote is called through the guard."""
    ours = set(Face.__mro__)
    methods: dict[str, Any] = {"broken": "", "break_off": _break_off, "show_fault": _show_fault}
    methods |= {
        "__module__": made.__module__,
        "meter_id": "",
        "title": "",
        "stand_for": Face.stand_for,
        "fault": Face.fault,
    }
    for base in (base for base in made.__mro__ if base not in ours):
        for name, value in vars(base).items():
            if name in NOT_THEIRS or not isinstance(value, ATTRIBUTES.get(name, object)):
                raise ImportError(f"its {name} is not what meter.plugin.face.Face takes")
            if name.startswith("__") or name in methods:
                continue
            if isinstance(value, FunctionType):
                methods[name] = _guarded_method(name, value, guard, number)
            elif isinstance(value, property) and value.fget is not None:
                getter = _guarded_method(name, value.fget, guard, number)
                methods[name] = property(getter, value.fset, value.fdel)
    return type(made.__name__, (made,), methods)


def _guarded_method(name: str, function: Callable[..., Any], guard: FaceGuard, number: int) -> Callable[..., Any]:
    wanted = RESULTS.get(name)
    base = getattr(Face, name, None)
    base = base.fget if isinstance(base, property) else base
    # Qt may call it while other code of the face runs: nothing may be raised into Qt. Helpers of the face may raise.
    from_qt = hasattr(QWidget, name)

    def checked(*words: Any, **more: Any) -> Any:
        result = function(*words, **more)
        if wanted is not None and not isinstance(result, wanted):
            raise TypeError(f"{name} gives {type(result).__name__}")
        return result

    @functools.wraps(function)
    def call(self: Any, *words: Any, **more: Any) -> Any:
        if guard.is_at_work(number) and not from_qt:
            return function(self, *words, **more)
        return guard.call(
            self,
            number,
            lambda: checked(self, *words, **more),
            lambda: base(self, *words, **more) if callable(base) else None,
        )

    return call


def _break_off(self: Any, reason: str) -> None:
    """Show why the face failed; none of its code is called any more."""
    if not self.broken:
        self.broken = f"{FAILED}{reason}."
        if hasattr(self, "_corner"):  # not set while it is being made
            Face.show_fault(self, self.broken)


def _show_fault(self: Any, sentence: str) -> None:
    Face.show_fault(self, self.broken or sentence)


def reason_of(error: BaseException, folder: Path) -> str:
    """What was raised and in which line of ``folder``, in a phrase."""
    first = where.first_line(error)[:LONGEST_REASON]
    if isinstance(error, SystemExit):
        first = "it tried to end the program"
    elif not (isinstance(error, (FaceStuck, ImportError, RuntimeError)) and first):
        return where.reason_of(error, folder)
    return where.with_place(first, error, folder)


def _raise_in(thread: int) -> None:
    """Where there are no signals, the interpreter itself can be asked to raise in another thread."""
    import ctypes

    ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread), ctypes.py_object(FaceStuck))
