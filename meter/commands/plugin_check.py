"""The kit run on one meter in a process of its own: code that hangs or ends the process costs one check."""

from __future__ import annotations

import multiprocessing
import os
import sys
import threading
from collections.abc import Iterator
from multiprocessing.connection import Connection
from pathlib import Path

from meter.children import end_with_parent, start_child
from meter.plugin.host import Plugin
from meter.plugin.kit import Outcome, check_names, outcomes
from meter.plugin.where import place_of_frame

STALL_SECONDS = 60.0
"""A check that takes longer hangs; the slowest of ours takes 3 s on a small machine."""
GRACE_SECONDS = 5.0
"""How much longer this side waits: code that holds the interpreter keeps the watch in the process from its work."""


def checked_apart(plugin: Plugin, stall_seconds: float = STALL_SECONDS) -> Iterator[Outcome]:
    """Outcomes of all checks as they come. A check that hangs, or ends the process, fails; the rest is skipped."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=_check, args=(theirs, plugin, stall_seconds), daemon=True)
    start_child(process)
    theirs.close()
    names = check_names(plugin)
    try:
        for done, name in enumerate(names):
            outcome, last = _received(ours, name, stall_seconds)
            yield outcome
            if last:
                for skipped in names[done + 1 :]:
                    yield Outcome(skipped, "skipped", f"Not checked: the check “{name}” did not end.")
                return
    finally:
        process.kill()
        process.join()
        ours.close()


def _received(pipe: Connection, name: str, stall_seconds: float) -> tuple[Outcome, bool]:
    """The outcome of a check, and whether it is the last one that comes."""
    try:
        if pipe.poll(stall_seconds + GRACE_SECONDS):
            found: tuple[Outcome, bool] = pipe.recv()
            return found
    except (EOFError, OSError):
        return Outcome(name, "fail", "The meter's code ended the process."), True
    return _hung(name, stall_seconds, ""), True


def _hung(name: str, stall_seconds: float, place: str) -> Outcome:
    return Outcome(name, "fail", f"It did not return within {stall_seconds:.0f} s.", place)


def _check(pipe: Connection, plugin: Plugin, stall_seconds: float) -> None:
    """Main function of the process: sends each outcome, and whether it is the last one."""
    end_with_parent()
    os.environ["QT_QPA_PLATFORM"] = "offscreen"
    sys.stdout.flush()
    # What the meter prints must not get between our lines.
    os.dup2(2, 1)
    names = iter(check_names(plugin))
    watch = _Watch(pipe, plugin.folder, stall_seconds)
    watch.begin(next(names))
    for outcome in outcomes(plugin):
        watch.end()
        pipe.send((outcome, False))
        following = next(names, None)
        if following is not None:
            watch.begin(following)


class _Watch:
    """Reports a check that hangs, with the line of the meter's code that is at work, and ends the process."""

    def __init__(self, pipe: Connection, folder: Path, stall_seconds: float) -> None:
        self._pipe = pipe
        self._folder = folder
        self._stall_seconds = stall_seconds
        self._timer = threading.Timer(0.0, str)

    def begin(self, name: str) -> None:
        """A check begins, in the thread that calls this."""
        thread = threading.get_ident()
        self._timer = threading.Timer(self._stall_seconds, self._report, (name, thread))
        self._timer.daemon = True
        self._timer.start()

    def end(self) -> None:
        """The check has ended."""
        self._timer.cancel()

    def _report(self, name: str, thread: int) -> None:
        place = place_of_frame(sys._current_frames().get(thread), self._folder)
        self._pipe.send((_hung(name, self._stall_seconds, place), True))
        os._exit(1)
