"""What one kind of SQLite file of this program holds, and how its faults are put into words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Table:
    """One table: its columns, and conditions in SQL that every valid row meets.

    ``insert`` is the statement that takes over a row of another file; empty for one that skips rows already there.
    """

    columns: str
    rules: Sequence[str]
    insert: str = ""

    @property
    def whole(self) -> str:
        """All conditions in one."""
        return " AND ".join(self.rules)

    @property
    def marks(self) -> str:
        """A question mark for each column."""
        return ", ".join("?" for _ in self.columns.split(","))


@dataclass(frozen=True)
class Make:
    """One kind of file. ``steps`` bring its tables to each next version; rows of ``counted`` are told after damage.

    ``newer`` is said of a file of a newer version, with ``{path}`` and ``{other}``, the name of the file used in its
    place; ``damaged`` of one kept aside, with ``{reason}``, ``{aside}`` and ``{came}``, the words ``came_some`` with
    ``{count}``, or ``came_none``.
    """

    application_id: int
    steps: Sequence[Sequence[str]]
    tables: Mapping[str, Table]
    counted: str
    newer: str
    damaged: str
    came_some: str
    came_none: str


LARGEST = 2**40
"""Largest valid distance of a second, minute or day from 1970."""


def whole_numbers(*columns: str) -> list[str]:
    """Conditions of columns that hold whole numbers."""
    return [f"typeof({column}) = 'integer' AND {column} BETWEEN {-LARGEST} AND {LARGEST}" for column in columns]


def texts(*columns: str) -> list[str]:
    """Conditions of columns that hold text."""
    return [f"typeof({column}) = 'text'" for column in columns]


def numbers(*columns: str, most: float = 1e6) -> list[str]:
    """Conditions of columns that hold numbers whose magnitude is below ``most``."""
    return [f"typeof({column}) IN ('real', 'integer') AND abs({column}) < {most}" for column in columns]
