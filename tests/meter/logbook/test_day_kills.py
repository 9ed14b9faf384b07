"""A program killed at any moment loses no more than its last five seconds of the day record.

``python -m tests.meter.logbook.test_day_kills 500`` kills as often as asked and prints what was lost.
"""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing
from pathlib import Path

from tests.support.day_kills import FEEDS, JOB, MARK_SECONDS, figures_of

ROOT = Path(__file__).parents[3]
KILLS = 40
MOST_LOST_SECONDS = 5


def lost_by_kills(folder: Path, kills: int, seed: int) -> list[int]:
    """Seconds that each life lost; everything that is there must be as it was written, and whole."""
    command = [sys.executable, "-m", "tests.support.day_kills", str(folder), str(kills), str(seed)]
    lives = json.loads(subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout)
    rows: dict[int, dict[str, bytes]] = {}
    marks: set[int] = set()
    for path in folder.rglob("*.sqlite3"):
        with closing(sqlite3.connect(path)) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            joined = "second JOIN series s ON s.id = series JOIN segment g ON g.id = s.segment"
            words = f"SELECT at, feed, figures FROM {joined}"
            for at, feed, figures in connection.execute(words):
                rows.setdefault(at, {})[feed] = figures
            marks |= {int(at) for (at,) in connection.execute("SELECT at FROM event")}
    wrong = [at for at, row in rows.items() if row != {name: figures_of(at, n) for n, name in enumerate(FEEDS)}]
    assert wrong == [], "the figures of a second belong together: all feeds or none"
    assert list(folder.rglob("*.damaged*")) == []
    assert marks == {at for at in rows if at % MARK_SECONDS == 0}, "a mark is there if its second is"
    lost = []
    for begin, last in lives:
        kept = [at for at in range(begin, last + 1) if at in rows]
        assert kept == list(range(begin, begin + len(kept))), "what is lost is the end"
        lost.append(last + 1 - begin - len(kept))
    assert set(rows) <= {at for begin, last in lives for at in range(begin, last + 1)}
    assert len(rows) > 10 * kills, "the test itself must have written something"
    return lost


def test_a_program_killed_at_any_moment_loses_five_seconds_at_most(tmp_path: Path) -> None:
    assert max(lost_by_kills(tmp_path / "record", KILLS, 20)) <= MOST_LOST_SECONDS


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        found = lost_by_kills(Path(name) / JOB, int(sys.argv[1]), 2026)
    print(f"{len(found)} kills; most lost {max(found)} s, {sum(found)} s in all; every database opened, sums agree")
