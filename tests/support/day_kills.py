"""Programs that write a day record until they are killed: ``python -m tests.support.day_kills FILE LIVES SEED``.

Each life writes a row a second of two feeds, and a mark every ten, as fast as the machine allows; the wall clock is
invented. Prints one line of JSON: for each life its first second and the last one it was handed.
"""

from __future__ import annotations

import mmap
import struct
import sys
from functools import partial
from itertools import count
from pathlib import Path

from meter.logbook.day_record import MARK, Event, Second, Segment, Series
from meter.logbook.day_writer import DayWriter
from tests.support.day_records import utc_day
from tests.support.ledgers import FakeTime
from tests.support.lives import print_lives, tell

MOST_SECONDS = 0.012
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
        tell(told, second)
        writer.add(Second(second, tuple((each, figures_of(second, feed)) for feed, each in enumerate(series))))
        if second % MARK_SECONDS == 0:
            writer.add(Event(float(second), MARK, "Mark.", JOB, segment=segment))
        time.go(1.0)
        writer.update()


if __name__ == "__main__":
    write = partial(write_until_killed, Path(sys.argv[1]))
    print_lives(write, int(sys.argv[2]), int(sys.argv[3]), MOST_SECONDS, 0.002)
