"""The logbook's tables by version. Each step brings a file to the next version.

The version of a file is in ``PRAGMA user_version``. A released step is never changed; a new one is added.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Sequence

APPLICATION_ID = 0x45617277
"""``Earw``: marks a logbook among other SQLite files (``PRAGMA application_id``)."""

FIRST = (
    # began: second since 1970 at which the clock was found set back; eras count from 1, the first began at 0.
    "CREATE TABLE era (era INTEGER PRIMARY KEY, began INTEGER NOT NULL)",
    # minute: whole minutes since 1970, UTC; utc_offset: minutes that local time was ahead;
    # levels: 60 codes (see stored_levels.py); peak: highest C-weighted peak in dB(C); doubt: uncertainty in dB.
    """
    CREATE TABLE minute (
        person TEXT NOT NULL, era INTEGER NOT NULL, minute INTEGER NOT NULL,
        utc_offset INTEGER NOT NULL, levels BLOB NOT NULL CHECK (length(levels) = 120),
        peak REAL, doubt REAL NOT NULL,
        PRIMARY KEY (person, era, minute)
    ) WITHOUT ROWID
    """,
    # began, seen: first and last second. farewell: 1 after a regular end, 0 where the sitting was cut off.
    """
    CREATE TABLE sitting (
        id INTEGER PRIMARY KEY, person TEXT NOT NULL, era INTEGER NOT NULL,
        began INTEGER NOT NULL, seen INTEGER NOT NULL, farewell INTEGER NOT NULL DEFAULT 0
    )
    """,
    "CREATE INDEX sitting_of_person ON sitting (person, era, seen)",
    # Notices shown to a person on a local day (days since 1970), and when, so that each is shown once.
    """
    CREATE TABLE said (
        person TEXT NOT NULL, day INTEGER NOT NULL, code INTEGER NOT NULL, at INTEGER NOT NULL,
        PRIMARY KEY (person, day, code)
    ) WITHOUT ROWID
    """,
)
SECOND = (
    # anchor: wall clock minus a clock that cannot be set, in seconds, in the run of the machine called boot.
    """
    CREATE TABLE clock (
        era INTEGER NOT NULL, boot TEXT NOT NULL, anchor INTEGER NOT NULL, PRIMARY KEY (era, boot)
    ) WITHOUT ROWID
    """,
)
STEPS: tuple[Sequence[str], ...] = (FIRST, SECOND)


class NewerLogbookError(Exception):
    """A newer version of the program wrote this file."""


class ForeignFileError(Exception):
    """A SQLite file that another program wrote."""


def migrate(
    connection: sqlite3.Connection, steps: Sequence[Sequence[str]] = STEPS, application_id: int = APPLICATION_ID
) -> None:
    """Bring the tables to the newest version in one transaction.

    Raises NewerLogbookError, ForeignFileError, or sqlite3.Error.
    """
    if version_of(connection, steps, application_id) == len(steps):
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Another program may have migrated the file while this one waited for the lock.
        for step in steps[version_of(connection, steps, application_id) :]:
            for statement in step:
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {application_id}")
        connection.execute(f"PRAGMA user_version = {len(steps)}")
        connection.execute("COMMIT")
    except sqlite3.Error:
        with contextlib.suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
        raise


def version_of(
    connection: sqlite3.Connection, steps: Sequence[Sequence[str]] = STEPS, application_id: int = APPLICATION_ID
) -> int:
    """The version of the tables, 0 for an empty file.

    Raises NewerLogbookError, ForeignFileError, or sqlite3.Error.
    """
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    owner = int(connection.execute("PRAGMA application_id").fetchone()[0])
    if owner != application_id and connection.execute("SELECT 1 FROM sqlite_master").fetchone():
        raise ForeignFileError
    if version > len(steps):
        raise NewerLogbookError
    return version
