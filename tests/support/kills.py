"""Programs that note seconds in a ledger until they are killed: ``python -m tests.support.kills FILE LIVES SEED``.

Run as a small program of its own, since to fork it a thousand times takes a tenth of what forking a test run takes.
Prints one line of JSON: for each life the first second it was to note and the last one it was handed.
"""

from __future__ import annotations

import json
import mmap
import os
import signal
import struct
import sys
import time as system_time
from itertools import count
from pathlib import Path
from random import Random

from meter.logbook.exposure_record import ExposureRecord
from meter.logbook.exposure_recorder import FLUSH_SECONDS
from meter.logbook.store import open_store
from tests.support.ledgers import ME, NOON, FakeTime

MOST_MILLISECONDS = 8.0
PAUSE_SECONDS = 7


def level_of(second: int) -> float:
    """Every second has a level of its own, so that none can stand for another."""
    return 60.0 + second % 4000 / 100.0


def note_until_killed(path: Path, begin: int, told: mmap.mmap) -> None:
    """Seconds go by as fast as the machine allows; the one that is handed over stands in the shared memory."""
    ledger = ExposureRecord(open_store(path), FakeTime(begin).clock())
    ledger.begin_sitting(ME)
    for second in count(begin):
        told[:8] = struct.pack("<q", second)
        ledger.add_second(second, level_of(second), 100.0)
        if second % FLUSH_SECONDS == 0:
            ledger.flush()


def one_life(path: Path, begin: int, told: mmap.mmap, milliseconds: float) -> int:
    """Start a program, kill it, and give the last second it was handed; ``begin - 1`` for none."""
    told[:8] = struct.pack("<q", begin - 1)
    child = os.fork()
    if child == 0:
        try:
            note_until_killed(path, begin, told)
        finally:
            os._exit(1)
    while struct.unpack("<q", told[:8])[0] <= begin and milliseconds > 1.0:
        system_time.sleep(0.0005)  # most lives get past the opening of the file, some do not
    system_time.sleep(milliseconds / 1000.0)
    os.kill(child, signal.SIGKILL)
    _pid, status = os.waitpid(child, 0)
    if not os.WIFSIGNALED(status):
        raise SystemExit("the program ended by itself")
    return int(struct.unpack("<q", told[:8])[0])


def main(path: Path, lives: int, seed: int) -> None:
    """Live and die as often as asked, and tell of it."""
    chance = Random(seed)
    told = mmap.mmap(-1, 8)
    begin, found = NOON, []
    for _ in range(lives):
        last = one_life(path, begin, told, chance.uniform(0.0, MOST_MILLISECONDS))
        found.append((begin, last))
        begin = last + 1 + PAUSE_SECONDS
    print(json.dumps(found))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
