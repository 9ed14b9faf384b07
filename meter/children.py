"""Child processes that a Ctrl-C does not reach and that end with the process that started them.

A terminal sends Ctrl-C to the whole group. The parent ends its children itself, so a child has SIGINT blocked from
the start: an interrupt while Python loads cannot be caught, and would print a traceback.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.process import BaseProcess
from types import FrameType

PR_SET_PDEATHSIG = 1
"""Linux, prctl(2): the signal this process gets when its parent ends."""


def start_child(process: BaseProcess) -> None:
    """Start a process of multiprocessing with SIGINT blocked in it; a Ctrl-C meanwhile is delivered afterwards.

    Its sums are not threaded: at 10 ms that costs more than it saves, and on a busy machine the threads wait for each
    other for seconds.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if os.name == "posix":
        from multiprocessing import resource_tracker

        # Started here, because its own start unblocks SIGINT again.
        resource_tracker.ensure_running()
    with interrupts_held():
        process.start()


@contextmanager
def interrupts_held() -> Iterator[None]:
    """Block SIGINT in this thread and in processes it starts; a SIGINT that arrived is raised at the end.

    Does nothing outside the main thread of a POSIX process.
    """
    if os.name != "posix" or threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []

    def note(number: int, _frame: FrameType | None) -> None:
        came.append(number)

    before = signal.getsignal(signal.SIGINT)
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    # Another thread may take the signal, and Python still runs the handler in this one.
    if callable(before):
        signal.signal(signal.SIGINT, note)
    try:
        yield
    finally:
        if callable(before):
            signal.signal(signal.SIGINT, before)
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        if came:
            signal.raise_signal(signal.SIGINT)


def end_with_parent() -> None:
    """Ignore Ctrl-C, and end this process with its parent. First call in a child of multiprocessing."""
    _leave_interrupts()
    parent = multiprocessing.parent_process()
    if parent is None:
        return
    _ask_for_death_signal()
    threading.Thread(target=_end_after, args=(parent,), name="parent watch", daemon=True).start()


def end_with_input() -> None:
    """End this process when its standard input, a pipe from the parent, closes. First call in such a child."""
    _leave_interrupts()
    _ask_for_death_signal()
    threading.Thread(target=_end_after_input, name="parent watch", daemon=True).start()


def _leave_interrupts() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if os.name == "posix":
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


def _ask_for_death_signal() -> None:
    """On Linux, let the kernel end this process with its parent, even while a call blocks all Python threads."""
    if not sys.platform.startswith("linux"):
        return
    import ctypes

    try:
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, int(signal.SIGKILL), 0, 0, 0)
    except (OSError, AttributeError):
        return  # the watch on the pipe remains


def _end_after(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)


def _end_after_input() -> None:
    # Below the buffered reader: its lock, held by a thread at exit, would end the interpreter with an error.
    while os.read(0, 4096):
        pass
    os._exit(1)
