"""Writes the day record: keeps what comes in memory, writes it once a second, and says what is wrong with the file.

What cannot be written stays in memory up to a bound and is written when it can be. One thread.
"""

from __future__ import annotations

import contextlib
import itertools
import math
import sqlite3
from collections import deque
from collections.abc import Callable, Iterable
from pathlib import Path

from meter.logbook.clock import SittingClock
from meter.logbook.day_record import DAY_RECORD, TABLES, Event, Second, Segment, Series, day_path, local_day
from meter.logbook.store import Store, UnwritableError, open_file

FLUSH_SECONDS = 1.0
RETRY_SECONDS = 5.0
"""Time between two attempts at a file that could not be opened or written."""
MOST_ROWS = 50_000
"""Rows kept while nothing can be written: 14 h of one feed, an hour and a half of nine; some 20 MB."""
MOST_EVENTS = 5_000
MOST_AT_ONCE = 600
"""Items of one transaction."""

Item = Second | Event | Segment


def _insert(name: str) -> str:
    return f"INSERT OR IGNORE INTO {name} ({TABLES[name].columns}) VALUES ({TABLES[name].marks})"


SEGMENT_WORDS, SERIES_WORDS, SECOND_WORDS, EVENT_WORDS = map(_insert, ("segment", "series", "second", "event"))


class DayWriter:
    """``folder`` holds the day records of all jobs. Errors of the files are in ``sentence`` and not raised."""

    def __init__(self, folder: Path, clock: SittingClock, day_of: Callable[[float], str] = local_day) -> None:
        self._folder = folder
        self._clock = clock
        self._day_of = day_of
        self._pending: deque[Item] = deque()
        self._rows = self._events = 0
        self._store: Store | None = None
        self._path: Path | None = None
        self._stated: set[int] = set()
        self._flushed_at = -math.inf
        self._trouble = self._went = ""
        self.lost_rows = 0
        """Rows, and events, that were dropped because too many waited to be written."""
        self.lost_events = 0

    @property
    def sentence(self) -> str:
        """One sentence about a fault of the file, or an empty string."""
        opened = self._store.sentence if self._store is not None else ""
        return " ".join(words for words in (self._trouble or self._went or opened, self._lost) if words)

    @property
    def _lost(self) -> str:
        if not (self.lost_rows or self.lost_events):
            return ""
        return f"{self.lost_rows:,} rows and {self.lost_events:,} events of the day record are lost: too many waited."

    def add(self, item: Item) -> None:
        """Keep a second, an event or the beginning of a segment; the oldest is dropped where there is no room."""
        self._pending.append(item)
        self._count(item, 1)
        while self._rows > MOST_ROWS or self._events > MOST_EVENTS:
            self._drop_oldest(Second if self._rows > MOST_ROWS else Event)

    def update(self) -> None:
        """Write when due; call it at least twice a second."""
        steady = self._clock.steady()
        wait = RETRY_SECONDS if self._trouble else FLUSH_SECONDS
        if steady - self._flushed_at >= wait:
            self._flushed_at = steady
            self.flush()

    def flush(self) -> bool:
        """Write everything that waits, one transaction for each file; False when some of it could not be written."""
        while self._pending:
            path, same = self._next_batch()
            if not self._write(path, same):
                return False
            for item in same:
                self._pending.popleft()
                self._count(item, -1)
        return True

    def close(self) -> None:
        """Write what waits, if it can be, and close the file."""
        self.flush()
        self._leave_file()

    def _next_batch(self) -> tuple[Path, list[Item]]:
        """The first items that belong into one file."""
        path = self._path_of(self._pending[0])
        some = itertools.islice(self._pending, MOST_AT_ONCE)
        return path, list(itertools.takewhile(lambda item: self._path_of(item) == path, some))

    def _count(self, item: Item, sign: int) -> None:
        if isinstance(item, Second):
            self._rows += sign * len(item.rows)
        else:
            self._events += sign

    def _drop_oldest(self, kind: type) -> None:
        """Drop the first of one kind; a segment goes with its rows, which state it again."""
        for place, item in enumerate(self._pending):
            if isinstance(item, kind) or (kind is Event and isinstance(item, Segment)):
                del self._pending[place]
                self._count(item, -1)
                self.lost_rows += len(item.rows) if isinstance(item, Second) else 0
                self.lost_events += isinstance(item, Event)
                return

    def _path_of(self, item: Item) -> Path:
        match item:
            case Second():
                job, at = item.rows[0][0].segment.job, float(item.at)
            case Event():
                job, at = item.job, item.at
            case Segment():
                job, at = item.job, item.began
        return day_path(job, self._day_of(at), self._folder)

    def _write(self, path: Path, items: Iterable[Item]) -> bool:
        connection = self._connection_to(path)
        if connection is None:
            return False
        stated = set(self._stated)
        try:
            connection.execute("BEGIN IMMEDIATE")
            for item in items:
                self._insert(connection, item)
            connection.execute("COMMIT")
        except (sqlite3.Error, OSError) as error:
            with contextlib.suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
            self._stated = stated
            self._fail(path, str(error).rstrip("."))
            if not _is_for_now(error):
                self._leave_file()  # opened again, a damaged file is set aside
            return False
        self._trouble = ""
        return True

    def _insert(self, connection: sqlite3.Connection, item: Item) -> None:
        match item:
            case Segment():
                self._state_segment(connection, item)
            case Second():
                for series, _figures in item.rows:
                    self._state_series(connection, series)
                rows = [(series.id, item.at, figures) for series, figures in item.rows]
                connection.executemany(SECOND_WORDS, rows)
            case Event():
                if item.segment is not None:
                    self._state_segment(connection, item.segment)
                segment = item.segment.id if item.segment is not None else None
                values = (item.at, item.kind, item.feed, item.seconds, item.words, item.figures, segment)
                connection.execute(EVENT_WORDS, values)

    def _state_segment(self, connection: sqlite3.Connection, each: Segment) -> None:
        if each.id not in self._stated:
            values = (each.id, each.run, each.began, each.job, each.source, each.rate_hz, each.channels, each.feeds)
            connection.execute(SEGMENT_WORDS, values)
            self._stated.add(each.id)

    def _state_series(self, connection: sqlite3.Connection, each: Series) -> None:
        if each.id not in self._stated:
            self._state_segment(connection, each.segment)
            connection.execute(SERIES_WORDS, (each.id, each.segment.id, each.feed, each.keys))
            self._stated.add(each.id)

    def _connection_to(self, path: Path) -> sqlite3.Connection | None:
        """The file, opened or made; None when it cannot be opened."""
        if self._store is not None and path == self._path and self._store.is_there():
            return self._store.connection
        if self._store is not None and path == self._path:
            self._went = f"The day record {path} was deleted or moved while it was in use; a new one is begun."
        elif path != self._path:
            self._went = ""
        self._leave_file()
        try:
            self._store, self._path = open_file(path, DAY_RECORD), path
        except UnwritableError as error:
            self._fail(error.path, error.reason)
            return None
        return self._store.connection

    def _leave_file(self) -> None:
        """Close the file; its write-ahead log is emptied, because a new file at its place would read it."""
        store, self._store, self._stated = self._store, None, set()
        if store is not None:
            with contextlib.suppress(sqlite3.Error):
                store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            with contextlib.suppress(sqlite3.Error):
                store.connection.close()

    def _fail(self, path: Path, reason: str) -> None:
        self._trouble = (
            f"The day record {path} cannot be written ({reason}); its figures are kept in memory until it can be. "
            "Check space and permissions of its disk."
        )


def _is_for_now(error: Exception) -> bool:
    """Whether the file is as it should be and only cannot be written now: full, busy or read-only."""
    passing = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in passing
