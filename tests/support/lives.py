"""Runs a writer in processes that are killed at random moments, one after the other. POSIX only."""

from __future__ import annotations

import json
import mmap
import os
import signal
import struct
import time
from collections.abc import Callable
from random import Random

from tests.support.ledgers import NOON

NUMBER = "<q"
Write = Callable[[int, mmap.mmap], None]
"""Writes from this second on until it is killed, and tells each second before it is handed over."""


def tell(told: mmap.mmap, second: int) -> None:
    """Put the second that is handed over next into the shared memory."""
    told[:8] = struct.pack(NUMBER, second)


def one_life(write: Write, begin: int, told: mmap.mmap, seconds: float, least: float) -> int:
    """Start ``write``, kill it, and return the last second it was handed; ``begin - 1`` for none.

    Lives of more than ``least`` seconds get past the opening of the file, shorter ones may not.
    """
    tell(told, begin - 1)
    child = os.fork()
    if child == 0:
        try:
            write(begin, told)
        finally:
            os._exit(1)
    while struct.unpack(NUMBER, told[:8])[0] <= begin and seconds > least:
        time.sleep(0.0005)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    _pid, status = os.waitpid(child, 0)
    if not os.WIFSIGNALED(status):
        raise SystemExit("the program ended by itself")
    return int(struct.unpack(NUMBER, told[:8])[0])


def print_lives(write: Write, lives: int, seed: int, most: float, least: float, pause: int = 0) -> None:
    """Live and die as often as asked, up to ``most`` seconds each; print the first and last second of each life.

    ``pause`` seconds of the invented clock pass between two lives.
    """
    chance = Random(seed)
    told = mmap.mmap(-1, 8)
    begin, found = NOON, []
    for _ in range(lives):
        last = one_life(write, begin, told, chance.uniform(0.0, most), least)
        found.append((begin, last))
        begin = last + 1 + pause
    print(json.dumps(found))
