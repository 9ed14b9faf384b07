"""Find the valid rows of a logbook and copy them into another one. No file is opened in here."""

from __future__ import annotations

import contextlib
import sqlite3

import numpy as np

from meter.logbook.stored_levels import from_blob, to_blob

UNREADABLE = (sqlite3.Error, UnicodeDecodeError)
"""Exceptions of reading a damaged file; the second when the name of a table or column is not UTF-8."""

MOST = 2**40
"""Largest valid distance of a second, minute or day from 1970."""


def _whole(*columns: str) -> list[str]:
    return [f"typeof({column}) = 'integer' AND {column} BETWEEN {-MOST} AND {MOST}" for column in columns]


def _text(column: str) -> str:
    return f"typeof({column}) = 'text'"


def _number(column: str) -> str:
    return f"typeof({column}) IN ('real', 'integer') AND abs({column}) < 1e6"


TABLES: dict[str, tuple[str, list[str]]] = {
    "era": ("era, began", _whole("era", "began")),
    "minute": (
        "person, era, minute, utc_offset, levels, peak, doubt",
        [
            *_whole("era", "minute", "utc_offset"),
            "utc_offset BETWEEN -1440 AND 1440",
            _text("person"),
            "typeof(levels) = 'blob'",
            f"(peak IS NULL OR ({_number('peak')}))",
            _number("doubt"),
        ],
    ),
    "sitting": (
        "person, era, began, seen, farewell",
        [*_whole("era", "began", "seen", "farewell"), _text("person")],
    ),
    "clock": ("era, boot, anchor", [*_whole("era", "anchor"), _text("boot")]),
    "said": ("person, day, code, at", [*_whole("day", "code", "at"), _text("person")]),
}
"""Columns of each table, and conditions that every valid row meets."""


def lenient(connection: sqlite3.Connection) -> sqlite3.Connection:
    """Make the connection read text that is not UTF-8 with replacement characters, and return it."""
    connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
    return connection


def is_sound(connection: sqlite3.Connection) -> bool:
    """Whether every row is valid; raises sqlite3.Error when a table is missing."""
    return not any(
        connection.execute(f"SELECT 1 FROM {table} WHERE ({' AND '.join(rules)}) IS NOT 1 LIMIT 1").fetchone()
        for table, (_columns, rules) in TABLES.items()
    )


def copy_rows(source: sqlite3.Connection, into: sqlite3.Connection) -> int:
    """Copy every valid row that can be read; return the number of minutes copied.

    A minute in both files gets the higher of each level. Raises sqlite3.Error when ``into`` cannot be written.
    """
    lenient(source)
    into.create_function("higher", 2, _higher, deterministic=True)
    copied = 0
    into.execute("BEGIN IMMEDIATE")
    try:
        for table, (columns, rules) in TABLES.items():
            copied += _copy_table(source, into, table, columns, " AND ".join(rules)) * (table == "minute")
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


def _copy_table(source: sqlite3.Connection, into: sqlite3.Connection, table: str, columns: str, whole: str) -> int:
    marks = ", ".join("?" for _ in columns.split(","))
    words = f"INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})"
    if table == "minute":
        words = (
            f"INSERT INTO minute ({columns}) VALUES ({marks}) ON CONFLICT (person, era, minute) DO UPDATE SET "
            "levels = higher(levels, excluded.levels), doubt = max(doubt, excluded.doubt), "
            "peak = coalesce(max(peak, excluded.peak), peak, excluded.peak)"
        )
    elif table == "sitting":  # ids differ between files, so equal sittings are found by their content
        same = " AND ".join(f"{column.strip()} = ?{place + 1}" for place, column in enumerate(columns.split(",")))
        numbered = ", ".join(f"?{place + 1}" for place, _ in enumerate(columns.split(",")))
        words = (
            f"INSERT INTO sitting ({columns}) SELECT {numbered} WHERE NOT EXISTS (SELECT 1 FROM sitting WHERE {same})"
        )
    copied = 0
    for row in _readable(source, f"SELECT {columns} FROM {table} WHERE ({whole}) IS 1"):
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
