"""Measure files in child processes, so that a meter that hangs ends its process and not the command.

Each process writes the meter that it calls into shared memory. A process whose meter does not return in time is
killed. After that, as after a meter that ends its process, the file and those after it are measured without the
meter.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import multiprocessing.connection
import sys
import time
from collections import deque
from collections.abc import Callable, Generator, Sequence
from contextlib import redirect_stdout
from dataclasses import replace
from functools import partial
from multiprocessing.connection import Connection
from multiprocessing.sharedctypes import RawArray
from pathlib import Path
from typing import Any

from meter.audio.source import SourceError
from meter.children import end_with_parent, start_child
from meter.engine.supervisor import LOADING_SECONDS
from meter.engine.watchdog import Silence
from meter.measure import Measurement, measure_file
from meter.plugin.host import Plugin

STALL_SECONDS = 60.0
"""Longest time for one call of a meter, which is given at most 5 s of sound."""
LOOK_SECONDS = 0.25
QUIT_SECONDS = 1.0

_METER, _MOVES, _FRAMES, _LOADED = range(4)
NO_METER = -1

Outcome = Measurement | str
"""Readings of a file, or one sentence with the reason for none."""


def measure_one(
    path: Path,
    plugins: Sequence[Plugin],
    progress: Callable[[int], None] = lambda _frames: None,
    on_meter: Callable[[int], None] = lambda _index: None,
) -> Outcome:
    """Measure one file in this process."""
    try:
        # Output printed by a meter by others must not mix with ours.
        with redirect_stdout(sys.stderr):
            return measure_file(path, plugins, progress, on_meter)
    except SourceError as error:
        return str(error)


class WatchedMeasuring:
    """Measures files in at most ``jobs`` processes.

    ``set_aside`` maps the ids of meters that stalled, or ended their process, to a sentence. ``on_stall`` is called
    with that sentence, ``on_frames`` a few times a second with the frames measured of all files in work.
    """

    def __init__(
        self,
        plugins: Sequence[Plugin],
        jobs: int,
        on_stall: Callable[[str], None],
        on_frames: Callable[[int], None] = lambda _frames: None,
    ) -> None:
        self._plugins = plugins
        self._jobs = jobs
        self._on_stall = on_stall
        self._on_frames = on_frames
        self._workers: list[_Worker] = []
        self.set_aside: dict[str, str] = {}

    def outcomes(self, paths: Sequence[Path]) -> Generator[Outcome, None, None]:
        """Yield one outcome per file, in order; closing the generator ends the processes."""
        waiting = deque(enumerate(paths))
        done: dict[int, Outcome] = {}
        try:
            for number in range(len(paths)):
                while number not in done:
                    self._hand_out(waiting)
                    self._collect(done, waiting)
                yield done.pop(number)
        finally:
            for worker in self._workers:
                worker.end()

    def _hand_out(self, waiting: deque[tuple[int, Path]]) -> None:
        while waiting:
            worker = next((worker for worker in self._workers if worker.job is None), None)
            if worker is None and len(self._workers) == self._jobs:
                return
            if worker is None:
                worker = _Worker()
                self._workers.append(worker)
            worker.begin(waiting.popleft(), [item for item in self._plugins if item.id not in self.set_aside])

    def _collect(self, done: dict[int, Outcome], waiting: deque[tuple[int, Path]]) -> None:
        """Wait briefly for answers; replace processes that died or hang."""
        busy = {worker.pipe: worker for worker in self._workers if worker.job is not None}
        answered = multiprocessing.connection.wait(list(busy), LOOK_SECONDS)
        for pipe, worker in busy.items():
            assert worker.job is not None
            number, path = worker.job
            if pipe in answered:
                outcome = worker.answer()
                if outcome is not None:
                    done[number] = self._noted(outcome)
                    continue
                meter = worker.meter_at_work
                self._drop(worker)
                if meter is None or meter.ours:
                    done[number] = _died(path)
                else:
                    self._put_aside(meter, f"its process ended in it while {path} was measured")
                    waiting.appendleft((number, path))
            elif (stall := worker.stalled_in()) is not None:
                meter, why = stall
                self._put_aside(meter, f"{why} while {path} was measured")
                waiting.appendleft((number, path))
                self._drop(worker)
        self._on_frames(sum(worker.frames for worker in self._workers))

    def _noted(self, outcome: Outcome) -> Outcome:
        """Add the sentences about meters that were left out."""
        if isinstance(outcome, str) or not self.set_aside:
            return outcome
        return replace(outcome, notes=(*outcome.notes, *self.set_aside.values()))

    def _put_aside(self, meter: Plugin, why: str) -> None:
        if meter.id in self.set_aside:
            return
        sentence = f"Meter “{meter.id}” of {meter.origin} is set aside: {why}; fix it or leave it out."
        self.set_aside[meter.id] = sentence
        self._on_stall(sentence)

    def _drop(self, worker: _Worker) -> None:
        self._workers.remove(worker)
        worker.kill()


def _died(path: Path) -> str:
    return f"{path} could not be measured: the process that did it was ended; measure it again."


class _Worker:
    """Parent side of one process; ``job`` is the number and path of its file."""

    def __init__(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._moves = RawArray("q", 4)
        self.pipe, theirs = context.Pipe()
        self._process = context.Process(target=_work, args=(theirs, self._moves), daemon=True)
        start_child(self._process)
        theirs.close()
        self._plugins: Sequence[Plugin] = ()
        self._silence = Silence()
        self.job: tuple[int, Path] | None = None

    def begin(self, job: tuple[int, Path], plugins: Sequence[Plugin]) -> None:
        """Start a file."""
        self.job, self._plugins = job, plugins
        self._moves[_METER], self._moves[_FRAMES], self._moves[_LOADED] = NO_METER, 0, 0
        self._silence = Silence()
        with contextlib.suppress(OSError):  # a dead process is noticed at the answer
            self.pipe.send((job[1], plugins))

    def answer(self) -> Outcome | None:
        """Receive the outcome; None when the process died."""
        self.job = None
        try:
            outcome: Outcome = self.pipe.recv()
        except (EOFError, OSError):
            return None
        return outcome

    @property
    def frames(self) -> int:
        """Frames measured of the file."""
        return int(self._moves[_FRAMES])

    @property
    def meter_at_work(self) -> Plugin | None:
        """The meter that was called and has not returned."""
        index = int(self._moves[_METER])
        return self._plugins[index] if 0 <= index < len(self._plugins) else None

    def stalled_in(self) -> tuple[Plugin, str] | None:
        """The meter by others whose call takes too long, and why it is set aside.

        Our own meters have no limit: a slow disk or machine holds them up as well.
        """
        silent = self._silence.look(int(self._moves[_MOVES]), time.monotonic_ns())
        meter = self.meter_at_work
        if meter is None or meter.ours:
            return None
        if not self._moves[_LOADED]:
            why = f"loading took longer than {LOADING_SECONDS:.0f} s"
            return (meter, why) if silent > LOADING_SECONDS else None
        return (meter, f"it did not return for {STALL_SECONDS:.0f} s") if silent > STALL_SECONDS else None

    def end(self) -> None:
        """End the process: at once if it is measuring."""
        if self.job is None:
            self.pipe.close()
            self._process.join(QUIT_SECONDS)
        self.kill()

    def kill(self) -> None:
        """Kill the process."""
        self._process.kill()
        self._process.join()
        self.pipe.close()


def _work(pipe: Connection, moves: Any) -> None:
    """Main function of a process: receives files and sends outcomes until the pipe closes."""
    end_with_parent()
    while True:
        try:
            path, plugins = pipe.recv()
            pipe.send(_measure(path, plugins, moves))
        except (EOFError, OSError):
            return


def _measure(path: Path, plugins: Sequence[Plugin], moves: Any) -> Outcome:
    try:
        return measure_one(path, plugins, partial(_count, moves), partial(_note, moves))
    except Exception as error:  # one bad file must not end the others
        return f"{path} could not be measured ({type(error).__name__}: {error})."


def _count(moves: Any, frames: int) -> None:
    moves[_LOADED] = 1
    moves[_FRAMES] += frames


def _note(moves: Any, index: int) -> None:
    moves[_METER] = index
    moves[_MOVES] += 1
