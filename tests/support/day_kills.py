"""Programs that write a day record until they are killed: ``python -m tests.support.day_kills FILE LIVES SEED``.

Each life writes a row a second of two feeds, and a mark every ten, as fast as the machine allows; the wall clock is
invented. Prints one line of JSON: for each life its first second and the last one it was handed.
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

from meter.logbook.day_record import MARK, Event, Second, Segment, Series
from meter.logbook.day_writer import DayWriter
from tests.support.day_records import utc_day
from tests.support.ledgers import NOON, FakeTime

MOST_MILLISECONDS = 12.0
JOB = "song"
FEEDS = ("mix", "part bass")
MARK_SECONDS = 10
KEYS = '[["loudness.short_term", "LUFS", 1], ["loudness.blocks", "LUFS", 12]]'


def figures_of(second: int, feed: int) -> bytes:
    """Every second and feed has figures of its own, so that none can stand for another."""
    return struct.pack("<13f", *((second * 7 + feed * 1009 + place) % 65_521 for place in range(13)))


def write_until_killed(folder: Path, begin: int, told: mmap.mmap) -> None:
    """Seconds go by; the one that is handed over stands in the shared memory."""
    time = FakeTime(begin)
    writer = DayWriter(folder, time.clock(), utc_day)
    segment = Segment(f"life {begin}", float(begin), JOB, "a device", 48_000, 3, "{}")
    series = [Series(segment, feed, KEYS) for feed in FEEDS]
    for second in count(begin):
        told[:8] = struct.pack("<q", second)
        writer.add(Second(second, tuple((each, figures_of(second, feed)) for feed, each in enumerate(series))))
        if second % MARK_SECONDS == 0:
            writer.add(Event(float(second), MARK, "Mark.", JOB, segment=segment))
        time.go(1.0)
        writer.update()


def one_life(folder: Path, begin: int, told: mmap.mmap, milliseconds: float) -> int:
    """Start a program, kill it, and give the last second it was handed; ``begin - 1`` for none."""
    told[:8] = struct.pack("<q", begin - 1)
    child = os.fork()
    if child == 0:
        try:
            write_until_killed(folder, begin, told)
        finally:
            os._exit(1)
    while struct.unpack("<q", told[:8])[0] <= begin and milliseconds > 2.0:
        system_time.sleep(0.0005)  # most lives get past the opening of the file, some do not
    system_time.sleep(milliseconds / 1000.0)
    os.kill(child, signal.SIGKILL)
    _pid, status = os.waitpid(child, 0)
    if not os.WIFSIGNALED(status):
        raise SystemExit("the program ended by itself")
    return int(struct.unpack("<q", told[:8])[0])


def main(folder: Path, lives: int, seed: int) -> None:
    """Live and die as often as asked, and tell of it."""
    chance = Random(seed)
    told = mmap.mmap(-1, 8)
    begin, found = NOON, []
    for _ in range(lives):
        last = one_life(folder, begin, told, chance.uniform(0.0, MOST_MILLISECONDS))
        found.append((begin, last))
        begin = last + 1
    print(json.dumps(found))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
