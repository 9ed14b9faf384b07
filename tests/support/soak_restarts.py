"""Engines started and ended by the supervisor, again and again: what is left of them. Part of ``tests.soak``."""

from __future__ import annotations

import os
import time
from pathlib import Path

import psutil

from meter.audio.source import SourceRequest
from meter.engine.process import EngineOrder
from meter.engine.snapshot import NAME_PREFIX
from meter.engine.supervisor import Supervisor

PATIENCE_SECONDS = 60.0
TONE = {"do": "tone", "seconds": 3600.0}
MOST_GROWTH_BYTES = 10_000_000
SETTLED_AFTER = 3
"""Engines after which the supervisor has loaded and allocated what it needs."""


def run(engines: int) -> list[str]:
    """Replace the engine ``engines`` times, by turns ended and killed; returns what was left behind, in sentences."""
    me = psutil.Process()
    supervisor = Supervisor(EngineOrder(SourceRequest("script", "a tone", {"events": [TONE], "paced": True})))
    handles = memory = 0
    try:
        for number in range(engines):
            _next_frame(supervisor)
            children = len(me.children(recursive=True))
            if number <= SETTLED_AFTER:
                handles, memory, at_start = me.num_fds(), me.memory_info().rss, children
            if number % 50 == 0 or number == engines - 1:
                megabytes = me.memory_info().rss / 1e6
                print(f"{number}: {children} children, {me.num_fds()} handles, {megabytes:.0f} MB", flush=True)
            if (children, me.num_fds()) > (at_start, handles):
                return [f"After {number} engines: {children} children, {me.num_fds()} handles; {handles} at first."]
            _end_engine(supervisor)
        _next_frame(supervisor)
        grown = me.memory_info().rss - memory
    finally:
        supervisor.close()
    left = [f"{child} is left." for child in me.children(recursive=True) if not _is_helper(child)]
    left += [f"The shared block {name} is left." for name in blocks_of_this_process()]
    if grown > MOST_GROWTH_BYTES:
        left.append(f"The window's process grew by {grown / 1e6:.1f} MB.")
    return left


def blocks_of_this_process() -> list[str]:
    """Names of the shared blocks that this process made and did not remove."""
    return sorted(path.name for path in Path("/dev/shm").glob(f"{NAME_PREFIX}-{os.getpid()}-*"))


def _next_frame(supervisor: Supervisor) -> None:
    """Wait until the present engine shows readings of sound."""
    begun, pid = time.monotonic(), supervisor.engine_pid
    while time.monotonic() < begun + PATIENCE_SECONDS:
        supervisor.poll()
        frame = supervisor.take()
        assert supervisor.engine_pid == pid, f"the engine was replaced: {frame.status if frame else None}"
        if frame is not None and frame.status.state == "running":
            return
        time.sleep(0.01)
    raise AssertionError(f"no readings in {PATIENCE_SECONDS:.0f} s")


def _end_engine(supervisor: Supervisor) -> None:
    pid = supervisor.engine_pid
    assert pid is not None
    psutil.Process(pid).kill()
    while supervisor.engine_pid == pid:
        supervisor.poll()
        time.sleep(0.002)


def _is_helper(child: psutil.Process) -> bool:
    """The tracker of multiprocessing stays for as long as the program."""
    return "resource_tracker" in " ".join(child.cmdline())
