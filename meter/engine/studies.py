"""Runs the studies of a chain beside the DSP loop: one at a time, on the newest stretch, never queued.

``Studies.attend`` is called in every turn of the loop. It takes the result of a study that has ended and starts the
next one that is due on what its meter captured. The study itself runs on a thread of its own.
"""

from __future__ import annotations

import contextlib
import ctypes
import math
import queue
import threading
import time
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec

from meter.engine.guard import GuardedMeter
from meter.engine.messages import FindingsDropped, FindingsMade
from meter.plugin.api import Settings
from meter.plugin.manifest import StudyEntry
from meter.plugin.set_aside import set_aside_sentence

SHARE_OF_A_CORE, LEAST_SHARE = 0.08, 0.03
"""What all studies together may use. Each rests until its share is what the others leave, or the least share, so
that a short one that is due often does not wait for a long one."""
LONGEST_STUDY_SECONDS = 20.0
"""A study that has not returned by then sets its meter aside."""
CLOSE_SECONDS = 1.0
"""How long the end of an engine waits for the study at work."""
LONGEST_CAPTURE_SECONDS = 0.05
"""Wall time of a ``stretch`` call; three longer ones in a row set the meter aside."""
SLOW_CAPTURES = 3
MOST_FINDINGS_BYTES = 4_000_000
"""What the pipe to the window takes without holding up the loop for long."""

Clock = Callable[[], float]
Send = Callable[[FindingsMade | FindingsDropped], None]


@dataclass(frozen=True)
class Work:
    """One run of a study. ``epoch`` changes with the source and at a reset."""

    meter: GuardedMeter
    entry: StudyEntry
    stretch: object
    settings: Settings
    before: Any
    epoch: int


@dataclass(frozen=True)
class Outcome:
    """What came of it: ``findings`` and the same encoded, or ``fault``, one reason. ``busy_seconds`` is CPU time."""

    work: Work
    findings: Any
    encoded: bytes
    fault: str
    busy_seconds: float


class Studies:
    """See the module's description. All methods are called from the DSP loop. [dsp]

    ``send`` is called with findings, and with FindingsDropped when all so far no longer hold. With ``threaded``
    False a study runs within ``attend``, for callers without real time.
    """

    def __init__(self, send: Send, *, threaded: bool = True) -> None:
        self._send = send
        self._threaded = threaded
        self._worker: StudyWorker | None = None
        self._due: dict[str, tuple[GuardedMeter, StudyEntry]] = {}
        self._before: dict[str, Any] = {}
        self._last: dict[str, float] = {}
        self._slow: dict[str, int] = {}
        self._epochs: dict[str, int] = {}
        self._rest_until: dict[str, float] = {}
        self._used: dict[str, float] = {}
        self._running: tuple[Work, float] | None = None
        self.on_work: Callable[[GuardedMeter | None], None] = lambda _meter: None
        """Called with the meter whose study starts, and with None when it has ended."""

    def follow(self, meters: Sequence[GuardedMeter], going_on: Collection[GuardedMeter] = ()) -> None:
        """Another chain: run the studies of these meters, and forget all findings but of those that go on."""
        self._due = {f"{meter.id}.{entry.key}": (meter, entry) for meter in meters for entry in meter.manifest.study}
        self._forget(tuple(key for key, (meter, _) in self._due.items() if meter in going_on))
        self.on_work(self._running[0].meter if self._running is not None else None)

    def reset(self) -> None:
        """Forget all findings but those of the whole sitting; a result that is still to come is dropped with them."""
        self._forget(tuple(key for key, (meter, _) in self._due.items() if meter.manifest.sitting))

    def _forget(self, but: tuple[str, ...]) -> None:
        for key in {*self._due, *self._epochs} - set(but):
            self._epochs[key] = self._epochs.get(key, 0) + 1
        self._before = {key: found for key, found in self._before.items() if key in but}
        self._last.clear()
        self._rest_until.clear()
        self._used = {key: share for key, share in self._used.items() if key in but}
        if self._epochs:
            self._send(FindingsDropped(but))

    def hurry(self) -> None:
        """Something was set or marked: the next study need not wait."""
        self._last.clear()
        self._rest_until.clear()

    def attend(self, now: float) -> None:
        """Take a result if there is one, and start the next study that is due. ``now`` in seconds, never waits."""
        if self._running is not None and self._worker is not None:
            self._collect(self._worker, *self._running, now)
        if self._running is None:
            self._start_next(now)

    def close(self) -> None:
        """Let the thread end after the study at work."""
        if self._worker is not None:
            self._worker.end()
            self._worker.wait(CLOSE_SECONDS)

    def _collect(self, worker: StudyWorker, work: Work, began: float, now: float) -> None:
        outcome = worker.outcome()
        if outcome is not None:
            self._running = None
            self.on_work(None)
            self._take(outcome, now)
        elif now - began > LONGEST_STUDY_SECONDS:
            self._running = None
            took = f"its study “{work.entry.key}” did not return within {LONGEST_STUDY_SECONDS:.0f} s"
            work.meter.exclude(set_aside_sentence(work.meter.name, took))
            worker.interrupt()
            self._worker = None
            self.on_work(None)

    def _start_next(self, now: float) -> None:
        for key in sorted(self._due, key=lambda key: self._last.get(key, -math.inf)):
            meter, entry = self._due[key]
            if now < max(self._last.get(key, -math.inf) + entry.every_seconds, self._rest_until.get(key, now)):
                continue
            self._last[key] = now
            stretch = self._capture(key, meter, entry)
            if stretch is None:
                continue
            work = Work(meter, entry, stretch, meter.settings, self._before.get(key), self._epochs[key])
            if self._threaded:
                self._worker = self._worker or StudyWorker()
                self.on_work(meter)
                self._worker.start(work)
                self._running = work, now
            else:
                self._take(run(work), now)
            return

    def _capture(self, key: str, meter: GuardedMeter, entry: StudyEntry) -> object | None:
        began = time.perf_counter()
        stretch = meter.stretch(entry.key)
        slow = time.perf_counter() - began > LONGEST_CAPTURE_SECONDS
        self._slow[key] = self._slow.get(key, 0) + 1 if slow and not meter.ours else 0
        if self._slow[key] >= SLOW_CAPTURES:
            meter.fail(f"capturing for its study “{entry.key}” takes over {LONGEST_CAPTURE_SECONDS * 1000:.0f} ms")
        return stretch

    def _take(self, outcome: Outcome, now: float) -> None:
        work, key = outcome.work, f"{outcome.work.meter.id}.{outcome.work.entry.key}"
        if work.epoch != self._epochs[key]:
            return
        self._rest(key, outcome.busy_seconds, now)
        if outcome.fault:
            work.meter.fail(f"its study “{work.entry.key}” failed ({outcome.fault})")
            return
        self._before[key] = outcome.findings
        self._send(FindingsMade(key, outcome.encoded))

    def _rest(self, key: str, busy_seconds: float, now: float) -> None:
        """Let a study rest for what it used, in what the others leave."""
        others = sum(share for name, share in self._used.items() if name != key)
        rest = busy_seconds * (1.0 / max(LEAST_SHARE, SHARE_OF_A_CORE - others) - 1.0)
        self._rest_until[key] = now + rest
        self._used[key] = busy_seconds / max(busy_seconds + rest, self._due[key][1].every_seconds)


class StudyWorker:
    """A thread that runs one study at a time."""

    def __init__(self) -> None:
        self._todo: queue.SimpleQueue[Work | None] = queue.SimpleQueue()
        self._done: queue.SimpleQueue[Outcome] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="earwitness-studies", daemon=True)
        self._thread.start()

    def start(self, work: Work) -> None:
        """Run this; the one before must have ended. [dsp]"""
        self._todo.put(work)

    def outcome(self) -> Outcome | None:
        """The outcome of what was started last, None while it is at work. [dsp]"""
        try:
            return self._done.get_nowait()
        except queue.Empty:
            return None

    def end(self) -> None:
        """End the thread when it is idle. [dsp]"""
        self._todo.put(None)

    def wait(self, seconds: float) -> None:
        """Wait until the thread has ended: one still in a library would abort the process that ends. [dsp]"""
        self._thread.join(seconds)

    def interrupt(self) -> None:
        """Throw SystemExit into the thread: ends a loop in Python, not one in a library. [dsp]"""
        self.end()
        identity = ctypes.c_ulong(self._thread.ident or 0)
        ctypes.pythonapi.PyThreadState_SetAsyncExc(identity, ctypes.py_object(SystemExit))

    def _work(self) -> None:
        with contextlib.suppress(SystemExit):
            while (work := self._todo.get()) is not None:
                self._done.put(run(work))


def run(work: Work) -> Outcome:
    """Run a study once; what it throws, or findings of the wrong type, become the outcome's fault."""
    began = time.thread_time()
    findings, encoded, fault = None, b"", ""
    try:
        study, kind = work.meter.study_of(work.entry)
        findings = study(work.stretch, work.settings, work.before)
        if not isinstance(findings, kind):
            raise TypeError(f"it returned {type(findings).__name__}, not {kind.__name__}")
        encoded = msgspec.msgpack.encode(findings)
        if len(encoded) > MOST_FINDINGS_BYTES:
            raise ValueError(f"its findings take {len(encoded):,} bytes; {MOST_FINDINGS_BYTES:,} are the most")
    except BaseException as error:  # it runs on a thread of its own: Ctrl-C does not arrive here
        fault = work.meter.reason_of(error)
    return Outcome(work, findings, encoded, fault, time.thread_time() - began)
