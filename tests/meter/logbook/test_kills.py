"""A program that is killed at any moment, a thousand times, loses no more than its last five seconds."""

from __future__ import annotations

import mmap
import os
import signal
import struct
import time as system_time
from itertools import count
from pathlib import Path

import numpy as np

from meter.logbook.bookkeeper import FLUSH_SECONDS
from meter.logbook.exposure import ExposureLedger
from meter.logbook.store import open_store
from tests.support.ledgers import ME, NOON, Desk, FakeTime

KILLS = 1000
MOST_LOST_SECONDS = 5
MOST_MILLISECONDS = 8.0
PAUSE_SECONDS = 7


def level_of(second: int) -> float:
    """Every second has a level of its own, so that none can stand for another."""
    return 60.0 + second % 4000 / 100.0


def count_until_killed(path: Path, begin: int, told: mmap.mmap) -> None:
    """Seconds go by as fast as the machine allows; the last one handed over stands in the shared memory."""
    ledger = ExposureLedger(open_store(path), FakeTime(begin).clock())
    ledger.begin(ME)
    for second in count(begin):
        told[:8] = struct.pack("<q", second)
        ledger.hear(second, level_of(second), 100.0)
        if second % FLUSH_SECONDS == 0:
            ledger.flush()


def one_life(path: Path, begin: int, told: mmap.mmap, milliseconds: float) -> int:
    """Start a program, kill it, and give the last second it was handed; ``begin - 1`` for none."""
    told[:8] = struct.pack("<q", begin - 1)
    child = os.fork()
    if child == 0:
        try:
            count_until_killed(path, begin, told)
        finally:
            os._exit(1)  # never reached alive; else the child would go on as a second test run
    while struct.unpack("<q", told[:8])[0] <= begin and milliseconds > 1.0:
        system_time.sleep(0.0005)  # most lives get past the opening of the file, some do not
    system_time.sleep(milliseconds / 1000.0)
    os.kill(child, signal.SIGKILL)
    _pid, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), "the program ended by itself"
    return int(struct.unpack("<q", told[:8])[0])


def test_a_thousand_kills_lose_five_seconds_each_at_most(tmp_path: Path) -> None:
    rng = np.random.default_rng(20)
    path = tmp_path / "data" / "logbook.sqlite3"
    told = mmap.mmap(-1, 8)
    begin = NOON
    handed, surely_kept = set(), set()
    for _ in range(KILLS):
        last = one_life(path, begin, told, float(rng.uniform(0.0, MOST_MILLISECONDS)))
        handed |= set(range(begin, last + 1))
        surely_kept |= set(range(begin, last + 1 - MOST_LOST_SECONDS))
        begin = last + 1 + PAUSE_SECONDS
    desk = Desk(tmp_path, FakeTime(begin), begin=False)
    assert desk.ledger.sentence == ""
    heard = desk.heard()
    desk.ledger.close()
    assert len(surely_kept) > 10 * KILLS, "the test itself must have noted something"
    assert surely_kept - set(heard) == set()
    assert set(heard) - handed == set()
    assert all(abs(level - level_of(second)) < 0.006 for second, level in heard.items())
