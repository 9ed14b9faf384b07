"""Watches the meters by others from outside their calls: threads, memory, and what ``guests`` noted. [dsp]"""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from meter.engine.changed_code import ChangedCode
from meter.engine.forbidden_calls import ForbiddenCalls
from meter.engine.guard import GuardedMeter
from meter.engine.guest_call import replaced_words
from meter.engine.guest_output import GuestOutput
from meter.engine.guests import Guests
from meter.engine.memory import resident_bytes
from meter.engine.messages import GuestThreads

EVERY_SECONDS = 1.0
THREADS_SECONDS = 5.0
MOST_OF_A_CORE = 0.5
"""What the threads of one meter may use over ``THREADS_SECONDS``."""
GROWTH_BYTES = 300_000_000
"""An engine that grew by so much since its meters were loaded is looked into."""
GROWN_IN_CALLS_BYTES = 16_000_000
"""From then on, a meter in whose calls the engine grew by this much is set aside."""

ThreadSeconds = Callable[[threading.Thread], float]


def cpu_seconds(thread: threading.Thread) -> float:
    """CPU time of a thread since its start in seconds, NaN where the system does not tell (Linux only)."""
    try:
        text = Path(f"/proc/self/task/{thread.native_id}/stat").read_text()
        user, system = text.rpartition(")")[2].split()[11:13]
        return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")
    except (OSError, ValueError, AttributeError):
        return float("nan")


class GuestWatch:
    """``attend`` is called in each turn of the engine's loop, ``install`` before any code of a guest runs."""

    def __init__(
        self,
        guests: Guests,
        meters: Sequence[GuardedMeter],
        send: Callable[[GuestThreads], None],
        *,
        seconds_of: ThreadSeconds = cpu_seconds,
        memory: Callable[[], int] = resident_bytes,
    ) -> None:
        self._guests = guests
        self._meters = meters
        self._send = send
        self._seconds_of = seconds_of
        self._memory = memory
        self._forbidden = ForbiddenCalls(guests)
        self._outputs: list[tuple[str, object]] = []
        self._threaded: tuple[str, ...] = ()
        self._used: dict[str, float] = {}
        self._due = self._judged = -float("inf")
        self._least_memory = 0
        self._code = ChangedCode()

    def install(self) -> None:
        """Refuse forbidden calls and bound what is printed, if there are guests at all."""
        if not self._guests:
            return
        self._forbidden.install()
        for meter in self._meters:
            meter.around.code = self._code
        apart = sys.stderr
        for name in ("stdout", "stderr"):
            stream = getattr(sys, name)
            if stream is not None and apart is not None:
                self._outputs.append((name, stream))
                setattr(sys, name, GuestOutput(stream, self._guests, apart))

    def remove(self) -> None:
        """Take back what ``install`` replaced."""
        self._forbidden.remove()
        for name, stream in self._outputs:
            setattr(sys, name, stream)
        self._outputs = []

    def attend(self, now: float) -> None:
        """Set aside what was noticed; look at threads and memory once a second. ``now`` in seconds."""
        if not self._guests:
            return
        for meter, reason in self._guests.notes():
            self._fail(meter, reason)
        if now >= self._due:
            self._due = now + EVERY_SECONDS
            self._look_at_threads(now)
            self._look_at_memory()
            self._look_at_code()

    def _fail(self, meter_id: str, reason: str) -> None:
        """Set aside every instance of a meter, and end its threads where they run Python."""
        for meter in self._meters:
            if meter.manifest.id == meter_id and not meter.ours:
                meter.fail(reason)
        for thread in self._threads_of(meter_id):
            _interrupt(thread)

    def _threads_of(self, meter_id: str) -> list[threading.Thread]:
        return [thread for thread in threading.enumerate() if self._guests.of_thread(thread) == meter_id]

    def _look_at_threads(self, now: float) -> None:
        known = [(thread, self._guests.of_thread(thread)) for thread in _others()]
        theirs = [(thread, meter) for thread, meter in known if meter]
        threaded = tuple(sorted({meter for _, meter in theirs}))
        if threaded != self._threaded:
            self._threaded = threaded
            self._send(GuestThreads(threaded))
        if now - self._judged < THREADS_SECONDS:
            return
        used: dict[str, float] = {}
        for thread, meter in theirs:
            used[meter] = used.get(meter, 0.0) + self._seconds_of(thread)
        for meter, seconds in used.items():
            share = (seconds - self._used.get(meter, seconds)) / (now - self._judged)
            if share > MOST_OF_A_CORE:
                self._fail(meter, f"its threads used {share:.0%} of a processor core for {now - self._judged:.0f} s")
        self._used, self._judged = used, now

    def _look_at_memory(self) -> None:
        """Memory that grew since it was least: from then on the guard weighs every call of the guests."""
        used = self._memory()
        self._least_memory = min(used, self._least_memory or used)
        grown = used - self._least_memory
        guests = [meter for meter in self._meters if not meter.ours and not meter.fault]
        for meter in guests:
            meter.around.weigh(self._memory if grown > GROWTH_BYTES else None)
        if grown <= GROWTH_BYTES or not guests:
            return
        most = max(guests, key=lambda meter: meter.around.grown_bytes)
        if most.around.grown_bytes > GROWN_IN_CALLS_BYTES:
            self._fail(most.manifest.id, f"it keeps taking memory; this engine grew by {grown / 1e6:,.0f} MB")

    def _look_at_code(self) -> None:
        """What was replaced between two calls, or in one that is made for each block, is put back."""
        guests = [meter for meter in self._meters if not meter.ours]
        for guest in guests:
            guest.around.code = self._code  # further instances come later
        replaced = self._code.undo()
        by = {meter for _, now in replaced if (meter := self._guests.of_code(now))}
        running = {meter.manifest.id for meter in guests if not meter.fault}
        words = replaced_words([name for name, _ in replaced])
        for name in by or running if replaced else ():
            self._fail(name, f"it {words}; that is undone, and the last second may be measured wrongly: press R")
        self._code.keep_new()


def _others() -> list[threading.Thread]:
    """Threads but the one that calls."""
    return [thread for thread in threading.enumerate() if thread is not threading.current_thread()]


def _interrupt(thread: threading.Thread) -> None:
    """Raise SystemExit in a thread: ends a loop in Python, not a call into a library."""
    if thread is threading.current_thread() or thread.ident is None:
        return
    with contextlib.suppress(ValueError):
        identity = ctypes.c_ulong(thread.ident)
        ctypes.pythonapi.PyThreadState_SetAsyncExc(identity, ctypes.py_object(SystemExit))


def now_seconds() -> float:
    """The clock that ``attend`` takes."""
    return time.monotonic()
