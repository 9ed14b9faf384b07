"""Removes listening levels from the day records. They name no person: all go when one person is forgotten."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np

from meter.logbook.recorded_day import STORED, Keys, keys_of
from meter.logbook.salvage import lenient
from meter.logbook.store import BUSY_SECONDS, COMPANIONS, forget_deleted

SEAT_UNITS = ("dB(A)", "dB(C)")
"""Only levels at the seat have these."""


def forget_listening(folder: Path) -> tuple[int, list[Path]]:
    """Blank the listening levels of every file under ``folder``, copies and damaged files included.

    Returns how many files held some, and the files that could not be changed.
    """
    changed, left = 0, []
    for path in sorted(folder.glob("*/*.sqlite3*")):
        if path.name.endswith(COMPANIONS[1:]) or not path.is_file():
            continue
        try:
            changed += _forget_in(path)
        except (sqlite3.Error, OSError, ValueError, TypeError):
            left.append(path)
    return changed, left


def _forget_in(path: Path) -> bool:
    """Whether the file held listening levels. Raises sqlite3.Error, ValueError or TypeError where it is damaged."""
    with closing(lenient(sqlite3.connect(path, timeout=BUSY_SECONDS, isolation_level=None))) as connection:
        connection.execute("PRAGMA secure_delete = ON").fetchone()
        connection.execute("BEGIN IMMEDIATE")
        found = False
        for series, keys in connection.execute("SELECT id, keys FROM series").fetchall():
            places = _places(keys_of(keys))
            found |= bool(places) and _blank(connection, series, places)
        connection.execute("COMMIT")
        if found:
            forget_deleted(connection)
    return found


def _places(keys: Keys) -> list[int]:
    """Where in a row the listening levels are."""
    units = [unit for _, unit, size in keys for _ in range(size)]
    return [place for place, unit in enumerate(units) if unit in SEAT_UNITS]


def _blank(connection: sqlite3.Connection, series: int, places: list[int]) -> bool:
    """Put NaN there in all rows of a series; False where it is there already."""
    words = "SELECT at, figures FROM second WHERE series = ?"
    rows = []
    for at, figures in connection.execute(words, (series,)):
        row = np.frombuffer(figures, STORED).copy()
        inside = [place for place in places if place < len(row)]
        if not np.isnan(row[inside]).all():
            row[inside] = np.nan
            rows.append((row.tobytes(), series, at))
    connection.executemany("UPDATE second SET figures = ? WHERE series = ? AND at = ?", rows)
    return bool(rows)
