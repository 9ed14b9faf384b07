"""Listening levels leave every day record; all else stays."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from meter.logbook.day_forget import forget_listening
from meter.logbook.day_record import day_path
from meter.logbook.recorded_day import read
from tests.support.recorded import KEYS, DayFile, figures_of_a_mix

LEVEL_KEY = "listening.seat_second"
SECONDS = 50


def record(folder: Path, job: str, day: str = "2026-11-28", keys=KEYS, *, name: str = "") -> Path:
    path = day_path(job, day, folder)
    path = path.with_name(name or path.name)
    made = DayFile(path)
    series = made.series(made.segment(), keys=keys)
    width = sum(size for _, _, size in keys)
    made.seconds(series, range(1000, 1000 + SECONDS), figures_of_a_mix(SECONDS)[:, :width])
    made.close()
    return path


def test_levels_at_the_seat_are_blank_and_the_rest_is_as_it_was(tmp_path: Path) -> None:
    path = record(tmp_path, "a song")
    before = read([path], -math.inf, math.inf).feeds["mix"]
    assert np.isfinite(before.columns[LEVEL_KEY]).any()
    assert forget_listening(tmp_path) == (1, [])
    after = read([path], -math.inf, math.inf).feeds["mix"]
    assert np.isnan(after.columns[LEVEL_KEY]).all()
    for key in set(before.columns) - {LEVEL_KEY}:
        np.testing.assert_array_equal(after.columns[key], before.columns[key])
    assert forget_listening(tmp_path) == (0, []), "nothing is left to forget"


def test_no_byte_of_a_level_stays_in_the_file(tmp_path: Path) -> None:
    path = record(tmp_path, "a song")
    levels = read([path], -math.inf, math.inf).feeds["mix"].columns[LEVEL_KEY].astype("<f4")
    loud = next(level.tobytes() for level in levels if np.isfinite(level) and level != round(float(level)))
    assert loud in path.read_bytes()
    forget_listening(tmp_path)
    assert all(loud not in each.read_bytes() for each in path.parent.iterdir())


def test_every_job_day_and_copy_is_gone_through_and_what_cannot_be_read_is_named(tmp_path: Path) -> None:
    record(tmp_path, "a song")
    record(tmp_path, "a song", "2026-11-27")
    record(tmp_path, "another", name="2026-11-28.sqlite3.damaged")
    record(tmp_path, "quiet", keys=KEYS[:2])
    broken = tmp_path / "another" / "2026-11-26.sqlite3.damaged"
    broken.write_bytes(b"no table " * 200)
    assert forget_listening(tmp_path) == (3, [broken])


def test_without_a_folder_there_is_nothing_to_forget(tmp_path: Path) -> None:
    assert forget_listening(tmp_path / "none") == (0, [])
