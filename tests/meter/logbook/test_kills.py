"""A program that is killed at any moment, four hundred times, loses no more than its last five seconds."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from tests.support.kills import level_of
from tests.support.ledgers import Desk, FakeTime

ROOT = Path(__file__).parents[3]
KILLS = 400
MOST_LOST_SECONDS = 5


def test_a_program_killed_at_any_moment_loses_five_seconds_at_most(tmp_path: Path) -> None:
    path = tmp_path / "data" / "logbook.sqlite3"
    command = [sys.executable, "-m", "tests.support.kills", str(path), str(KILLS), "20"]
    lives = json.loads(subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout)
    assert len(lives) == KILLS
    handed = {second for begin, last in lives for second in range(begin, last + 1)}
    surely_kept = {second for begin, last in lives for second in range(begin, last + 1 - MOST_LOST_SECONDS)}
    desk = Desk(tmp_path, FakeTime(lives[-1][1] + 60), begin=False)
    assert desk.ledger.sentence == ""
    heard = desk.heard()
    desk.ledger.close()
    assert len(surely_kept) > 10 * KILLS, "the test itself must have noted something"
    assert surely_kept - set(heard) == set()
    assert set(heard) - handed == set()
    assert all(abs(level - level_of(second)) < 0.006 for second, level in heard.items())
