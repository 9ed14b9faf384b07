"""Steps from one version of the tables to the next: whole or not at all, and what was noted stays."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from meter.logbook.migrate import STEPS, ForeignFileError, NewerLogbookError, migrate

NEXT = ("ALTER TABLE minute ADD COLUMN place TEXT", "CREATE TABLE print (name TEXT)")
BROKEN = ("CREATE TABLE print (name TEXT)", "CREATE NONSENSE")


@pytest.fixture
def connection() -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as opened:
        yield opened


def version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def tables(connection: sqlite3.Connection) -> set[str]:
    return {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}


def test_an_empty_file_gets_all_tables_and_a_second_time_changes_nothing(connection: sqlite3.Connection) -> None:
    migrate(connection)
    assert tables(connection) == {"era", "minute", "sitting", "said", "clock"}
    assert version(connection) == len(STEPS)
    migrate(connection)
    assert version(connection) == len(STEPS)


def test_a_later_step_keeps_what_was_noted(connection: sqlite3.Connection) -> None:
    migrate(connection)
    connection.execute("INSERT INTO minute VALUES ('me', 1, 5, 60, ?, NULL, 3.0)", (bytes(120),))
    migrate(connection, (*STEPS, NEXT))
    assert version(connection) == len(STEPS) + 1
    assert connection.execute("SELECT minute, place FROM minute").fetchall() == [(5, None)]


def test_a_step_that_fails_leaves_the_file_as_it_was(connection: sqlite3.Connection) -> None:
    migrate(connection)
    with pytest.raises(sqlite3.OperationalError, match="NONSENSE"):
        migrate(connection, (*STEPS, BROKEN))
    assert version(connection) == len(STEPS)
    assert "print" not in tables(connection)
    assert not connection.in_transaction


def test_a_newer_file_is_refused_untouched(connection: sqlite3.Connection) -> None:
    migrate(connection, (*STEPS, NEXT))
    with pytest.raises(NewerLogbookError):
        migrate(connection)
    assert version(connection) == len(STEPS) + 1


def test_a_file_of_another_program_is_refused(connection: sqlite3.Connection) -> None:
    connection.execute("CREATE TABLE recipe (name TEXT)")
    with pytest.raises(ForeignFileError):
        migrate(connection)
    assert tables(connection) == {"recipe"}


def test_a_program_that_came_second_finds_the_work_done(tmp_path: Path) -> None:
    path = tmp_path / "logbook.sqlite3"
    with (
        closing(sqlite3.connect(path, isolation_level=None)) as first,
        closing(sqlite3.connect(path, isolation_level=None)) as second,
    ):
        migrate(first)
        migrate(second)
        assert version(second) == len(STEPS)
