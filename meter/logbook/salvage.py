"""Find the valid rows of a file and copy them into another one. No file is opened in here."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Mapping

import numpy as np

from meter.logbook.make import Table, numbers, texts, whole_numbers
from meter.logbook.stored_levels import from_blob, to_blob

UNREADABLE = (sqlite3.Error, UnicodeDecodeError)
"""Exceptions of reading a damaged file; the second when the name of a table or column is not UTF-8."""

MINUTE_INSERT = (
    "INSERT INTO minute ({columns}) VALUES ({marks}) ON CONFLICT (person, era, minute) DO UPDATE SET "
    "levels = higher(levels, excluded.levels), doubt = max(doubt, excluded.doubt), "
    "peak = coalesce(max(peak, excluded.peak), peak, excluded.peak)"
)
"""A minute in both files gets the higher of each level."""
SITTING = "person, era, began, seen, farewell"
SITTING_INSERT = (
    "INSERT INTO sitting ({columns}) SELECT ?1, ?2, ?3, ?4, ?5 WHERE NOT EXISTS (SELECT 1 FROM sitting WHERE "
    "person = ?1 AND era = ?2 AND began = ?3 AND seen = ?4 AND farewell = ?5)"
)
"""Ids differ between files, so equal sittings are found by their content."""

TABLES: dict[str, Table] = {
    "era": Table("era, began", whole_numbers("era", "began")),
    "minute": Table(
        "person, era, minute, utc_offset, levels, peak, doubt",
        [
            *whole_numbers("era", "minute", "utc_offset"),
            "utc_offset BETWEEN -1440 AND 1440",
            *texts("person"),
            "typeof(levels) = 'blob'",
            f"(peak IS NULL OR ({numbers('peak')[0]}))",
            *numbers("doubt"),
        ],
        MINUTE_INSERT,
    ),
    "sitting": Table(SITTING, [*whole_numbers("era", "began", "seen", "farewell"), *texts("person")], SITTING_INSERT),
    "clock": Table("era, boot, anchor", [*whole_numbers("era", "anchor"), *texts("boot")]),
    "said": Table("person, day, code, at", [*whole_numbers("day", "code", "at"), *texts("person")]),
}
"""The tables of the exposure record."""


def lenient(connection: sqlite3.Connection) -> sqlite3.Connection:
    """Make the connection read text that is not UTF-8 with replacement characters, and return it."""
    connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
    return connection


def is_sound(connection: sqlite3.Connection, tables: Mapping[str, Table] = TABLES) -> bool:
    """Whether every row is valid; raises sqlite3.Error when a table is missing."""
    return not any(
        connection.execute(f"SELECT 1 FROM {name} WHERE ({table.whole}) IS NOT 1 LIMIT 1").fetchone()
        for name, table in tables.items()
    )


def copy_rows(
    source: sqlite3.Connection,
    into: sqlite3.Connection,
    tables: Mapping[str, Table] = TABLES,
    counted: str = "minute",
) -> int:
    """Copy every valid row that can be read; return the number of rows copied of the table ``counted``.

    Raises sqlite3.Error when ``into`` cannot be written.
    """
    lenient(source)
    into.create_function("higher", 2, _higher, deterministic=True)
    copied = 0
    into.execute("BEGIN IMMEDIATE")
    try:
        for name, table in tables.items():
            copied += _copy_table(source, into, name, table) * (name == counted)
        into.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            into.execute("ROLLBACK")
        raise
    return copied


def leave(connection: sqlite3.Connection, content: sqlite3.Connection) -> None:
    """Copy all of a file that is no longer at its path, and close it.

    The write-ahead log is emptied, because it may still be at the old path, where a new file would read it.
    """
    with contextlib.suppress(sqlite3.Error):
        connection.backup(content)
    with contextlib.suppress(sqlite3.Error):
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    with contextlib.suppress(sqlite3.Error):
        connection.close()


def _copy_table(source: sqlite3.Connection, into: sqlite3.Connection, name: str, table: Table) -> int:
    words = table.insert or f"INSERT OR IGNORE INTO {name} ({{columns}}) VALUES ({{marks}})"
    words = words.format(columns=table.columns, marks=table.marks)
    copied = 0
    for row in _readable(source, f"SELECT {table.columns} FROM {name} WHERE ({table.whole}) IS 1"):
        copied += into.execute(words, row).rowcount > 0
    return copied


def _readable(source: sqlite3.Connection, words: str) -> list[tuple[object, ...]]:
    """Rows up to the first that cannot be read."""
    rows: list[tuple[object, ...]] = []
    with contextlib.suppress(*UNREADABLE):
        for row in source.execute(words):
            rows.append(row)  # one at a time, so that rows before a fault are kept
    return rows


def _higher(one: bytes, other: bytes) -> bytes:
    try:
        return to_blob(np.maximum(from_blob(one), from_blob(other)))
    except ValueError:
        return one
