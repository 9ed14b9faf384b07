"""Programs that note seconds in a ledger until they are killed: ``python -m tests.support.kills FILE LIVES SEED``.

Run as a small program of its own, since to fork it a thousand times takes a tenth of what forking a test run takes.
Prints one line of JSON: for each life the first second it was to note and the last one it was handed.
"""

from __future__ import annotations

import mmap
import sys
from functools import partial
from itertools import count
from pathlib import Path

from meter.logbook.exposure_record import ExposureRecord
from meter.logbook.exposure_recorder import FLUSH_SECONDS
from meter.logbook.store import open_store
from tests.support.ledgers import ME, FakeTime
from tests.support.lives import print_lives, tell

MOST_SECONDS = 0.008
PAUSE_SECONDS = 7


def level_of(second: int) -> float:
    """Every second has a level of its own, so that none can stand for another."""
    return 60.0 + second % 4000 / 100.0


def note_until_killed(path: Path, begin: int, told: mmap.mmap) -> None:
    """Seconds go by as fast as the machine allows; the one that is handed over stands in the shared memory."""
    ledger = ExposureRecord(open_store(path), FakeTime(begin).clock())
    ledger.begin_sitting(ME)
    for second in count(begin):
        tell(told, second)
        ledger.add_second(second, level_of(second), 100.0)
        if second % FLUSH_SECONDS == 0:
            ledger.flush()


if __name__ == "__main__":
    write = partial(note_until_killed, Path(sys.argv[1]))
    print_lives(write, int(sys.argv[2]), int(sys.argv[3]), MOST_SECONDS, 0.001, PAUSE_SECONDS)
