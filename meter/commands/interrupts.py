"""Handling of Ctrl-C: the program ends with exit code 130 and without a traceback."""

from __future__ import annotations

import atexit
import os
import signal
import sys
from types import FrameType, TracebackType
from typing import NoReturn

INTERRUPTED = 130
SHOW_CURSOR = b"\x1b[?25h"


def end_quietly() -> None:
    """Let the first Ctrl-C raise KeyboardInterrupt and a second one end the program at once.

    A KeyboardInterrupt in a callback, or while the program ends, prints nothing. No effect where Ctrl-C is ignored,
    as in the background of a shell.
    """
    if signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        return
    signal.signal(signal.SIGINT, _first)
    # Python restores the system's own handler while it ends: a Ctrl-C then would replace the exit code.
    atexit.register(signal.signal, signal.SIGINT, signal.SIG_IGN)
    report, report_unraisable = sys.excepthook, sys.unraisablehook

    def on_exception(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
        if issubclass(kind, KeyboardInterrupt):
            leave_now()
        if not came_of_interrupt(error):
            report(kind, error, trace)

    def on_unraisable(caught: sys.UnraisableHookArgs) -> None:
        if issubclass(caught.exc_type, KeyboardInterrupt):
            leave_now()
        report_unraisable(caught)

    sys.excepthook = on_exception
    sys.unraisablehook = on_unraisable


def leave_now() -> NoReturn:
    """End the process at once with the exit code of Ctrl-C; a progress bar may have hidden the cursor."""
    if sys.stderr.isatty():
        os.write(sys.stderr.fileno(), SHOW_CURSOR)
    os._exit(INTERRUPTED)


def came_of_interrupt(error: BaseException | None) -> bool:
    """True for a KeyboardInterrupt, and for an exception that a library raised from one, such as ImportError."""
    while error is not None:
        if isinstance(error, KeyboardInterrupt):
            return True
        error = error.__cause__ or error.__context__
    return False


def _first(_number: int, _frame: FrameType | None) -> NoReturn:
    signal.signal(signal.SIGINT, _second)
    raise KeyboardInterrupt


def _second(_number: int, _frame: FrameType | None) -> NoReturn:
    leave_now()
