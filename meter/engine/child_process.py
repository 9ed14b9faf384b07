"""The engine in a process of its own, for commands without a window: a meter that hangs does not hang the command."""

from __future__ import annotations

import time
from collections.abc import Iterator

from meter.engine.supervisor import Supervisor
from meter.readings import Frame

PAUSE_SECONDS = 0.05
ARRIVING = ("running", "invalid")
OVER = ("ended", "failed")
STANDS_STILL_SECONDS = 1.0
"""Readings that have not moved on for so long are not the last ones: the engine is about to be replaced."""


def listen_apart(supervisor: Supervisor, seconds: float) -> Iterator[Frame]:
    """Listen for ``seconds`` on the wall from the first sound on; yield about 20 frames a second, and the last one.

    Ends early when the source ends or cannot be opened, or no engine lives; the last frame's status says which.
    """
    frame: Frame | None = None
    end = changed_at = float("inf")
    while supervisor.engine_pid is not None:
        supervisor.poll()
        now = time.monotonic()
        newest = supervisor.take()
        if newest is not None and newest is not frame:
            frame, changed_at = newest, now
            if frame.status.state in ARRIVING:
                end = min(end, now + seconds)
            if frame.layout.slots or frame.status.state in OVER:
                yield frame
            if frame.status.state in OVER:
                return
        if now >= end and now - changed_at < STANDS_STILL_SECONDS:
            return
        time.sleep(PAUSE_SECONDS)
    frame = supervisor.take()
    if frame is not None:
        yield frame
