"""The exposure record: listening levels of each person, second by second, estimated in dB(A) at the seat.

A second has one level per person, the highest that any program recorded, so that two programs never count twice.
Levels are written to disk every two seconds; a killed program loses at most those seconds and the audio still in
its buffers. If a write fails, levels stay in memory and are written later.

Setting the wall clock starts a new *era* (``meter.logbook.eras``). Setting it back by less than ten minutes does not:
the sitting continues from its last second, so that no second is used twice.

All figures are estimates, from the sound that this computer sends out and a calibration.
"""

from __future__ import annotations

import contextlib
import math
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from meter.logbook.clock import SittingClock
from meter.logbook.eras import Here, Noted, Placed, is_another, place
from meter.logbook.history import Gap, History, Sitting, find_gaps
from meter.logbook.minutes import COLUMNS, Minute, from_row, history_of, joined
from meter.logbook.salvage import UNREADABLE, copy_rows, leave
from meter.logbook.store import Store, forget_deleted, open_store, open_to_read
from meter.logbook.stored_levels import (
    NOT_HEARD,
    SECONDS_PER_MINUTE,
    empty_minute,
    encode,
    to_blob,
)

SET_BACK_SECONDS = 30
"""Corrections by a time server are smaller than this."""
SET_BACK = (
    "The clock of this computer was set back. Earlier levels are kept and counted; correct date and time, so that "
    "they count for the right days."
)

USUAL_DOUBT_DB = 3.0
"""With a proper sound level meter and an untouched control (common practice, no source)."""


@dataclass
class _Open:
    """The open sitting; ``row`` is its id in the table, None before it is written."""

    person: str
    sitting: Sitting
    row: int | None = None


@dataclass(frozen=True)
class RecordExtent:
    """Extent of one person's record: number of minutes, and the first and last (since 1970, UTC)."""

    minutes: int
    first: int
    last: int


class ExposureRecord:
    """Exposure record, for one thread at a time. Errors of the file are in ``sentence`` and not raised."""

    def __init__(self, store: Store, clock: SittingClock) -> None:
        self._store = store
        self._connection = store.connection
        self._clock = clock
        self._pending: dict[tuple[str, int, int], Minute] = {}
        self._open: _Open | None = None
        self._ended: list[_Open] = []
        self._new_era: tuple[int, int] | None = None
        self._anchor: tuple[int, str, int] | None = None
        self._lead = 0
        """How far the sitting is recorded ahead of the clock, in seconds."""
        self._said_of_clock = ""
        self._trouble = self._went = ""

    @property
    def sentence(self) -> str:
        """One sentence about a fault of the file, or an empty string."""
        return self._trouble or self._went or self._said_of_clock or self._store.sentence

    # Recording

    def begin_sitting(self, person: str) -> None:
        """Begin a sitting of this person; ends an open one."""
        self.end_sitting()
        self.flush()
        self._lead = 0
        era = self._era_now(person)
        now = self._lead + math.floor(self._clock.now())
        self._open = _Open(person, Sitting(era, now, now - 1, ended=False))

    def add_second(
        self, second: int, level_dba: float, peak_dbc: float = math.nan, doubt_db: float = USUAL_DOUBT_DB
    ) -> None:
        """Record the level of one second (since 1970) of the sitting, and its uncertainty in dB, either way.

        A level of NaN, and a second without a sitting, are ignored.
        """
        code = encode(level_dba)
        if self._open is None or code == NOT_HEARD:
            return
        here = self._open
        second += self._lead
        minute, place = divmod(second, SECONDS_PER_MINUTE)
        key = (here.person, here.sitting.era, minute)
        row = self._pending.get(key)
        if row is None:
            row = self._pending[key] = Minute(self._clock.offset_minutes(second), empty_minute())
        row.codes[place] = max(int(row.codes[place]), code)
        row.peak_dbc = float(np.fmax(row.peak_dbc, peak_dbc))
        row.doubt_db = max(row.doubt_db, doubt_db)
        began, seen = here.sitting.began, here.sitting.seen
        first_of_all = seen < began
        here.sitting = replace(
            here.sitting, began=second if first_of_all else min(began, second), seen=max(seen, second)
        )

    def end_sitting(self) -> None:
        """End the sitting; written with the next flush."""
        if self._open is not None and self._open.sitting.seen >= self._open.sitting.began:
            self._open.sitting = replace(self._open.sitting, ended=True)
            self._ended.append(self._open)
        self._open = None

    def flush(self) -> bool:
        """Write what is pending, all or nothing; False when the file cannot be written (it stays pending)."""
        self._follow_era()
        if not (self._pending or self._ended):
            return True
        self._follow_file()
        try:
            with self._transaction():
                self._write()
        except sqlite3.Error as error:
            self._trouble = (
                f"The logbook cannot be written ({str(error).rstrip('.')}); listening is counted in memory until it "
                f"can be. Check space and permissions of its disk."
            )
            return False
        self._pending.clear()
        self._ended.clear()
        self._new_era = self._anchor = None
        self._trouble = ""
        return True

    def close(self) -> None:
        """End the sitting, write what is pending and close the database."""
        self.end_sitting()
        self.flush()
        self._connection.close()

    # Reading

    def persons(self) -> tuple[str, ...]:
        """Names of all persons with a record, sorted."""
        found = {person for person, _era, _minute in self._pending}
        with contextlib.suppress(sqlite3.Error):
            found |= set(_persons(self._connection))
        return tuple(sorted(found))

    def extent(self, person: str) -> RecordExtent | None:
        """Extent of a person's record in the file; None for no record, or when it cannot be read."""
        with contextlib.suppress(sqlite3.Error):
            words = "SELECT count(*), min(minute), max(minute) FROM minute WHERE person = ?"
            count, first, last = self._connection.execute(words, (person,)).fetchone()
            return RecordExtent(count, first, last) if count else None
        return None

    def history(self, person: str, since: float, *, with_gaps: bool = True) -> History:
        """Levels from ``since`` (seconds since 1970) until now, in order of the time they count for."""
        here = self._here()
        first = math.floor(since) // SECONDS_PER_MINUTE
        parts = []
        for era in place(self._noted(), here):
            part = self._read_era(person, era, era.first(first))
            gaps = self._read_gaps(person, era, part, era.first(first), here.now) if with_gaps else ()
            parts.append(replace(part, gaps=gaps))
        return joined(parts)

    def notices_shown(self, person: str, day: int) -> dict[int, int]:
        """Notices shown to a person on a local day (days since 1970): second since 1970 by code."""
        with contextlib.suppress(sqlite3.Error):
            rows = self._connection.execute("SELECT code, at FROM said WHERE person = ? AND day = ?", (person, day))
            return {int(code): int(at) for code, at in rows}
        return {}

    def note_shown(self, person: str, day: int, code: int, at: int) -> None:
        """Store that a notice was shown."""
        with contextlib.suppress(sqlite3.Error):
            self._connection.execute("INSERT OR IGNORE INTO said VALUES (?, ?, ?, ?)", (person, day, code, at))

    def forget(self, person: str) -> None:
        """Delete everything of a person, here and on disk. Raises sqlite3.Error when the file cannot be written."""
        for key in [key for key in self._pending if key[0] == person]:
            del self._pending[key]
        self._ended = [each for each in self._ended if each.person != person]
        with self._transaction():
            for table in ("minute", "sitting", "said"):
                self._connection.execute(f"DELETE FROM {table} WHERE person = ?", (person,))
        forget_deleted(self._connection)

    # Writing to disk

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._connection.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                self._connection.execute("ROLLBACK")
            raise

    def _write(self) -> None:
        if self._new_era is not None:
            self._connection.execute("INSERT OR IGNORE INTO era VALUES (?, ?)", self._new_era)
        if self._anchor is not None:
            self._connection.execute("INSERT OR IGNORE INTO clock VALUES (?, ?, ?)", self._anchor)
        for (person, era, minute), row in self._pending.items():
            self._write_minute(person, era, minute, row)
        for ended in self._ended:
            self._write_sitting(ended)
        if self._open is not None and self._open.sitting.seen >= self._open.sitting.began:
            self._write_sitting(self._open)

    def _write_minute(self, person: str, era: int, minute: int, row: Minute) -> None:
        words = f"SELECT {COLUMNS} FROM minute WHERE person = ? AND era = ? AND minute = ?"
        for found in self._connection.execute(words, (person, era, minute)).fetchall():
            row = row.over(from_row(found)[1])
        peak = row.peak_dbc if math.isfinite(row.peak_dbc) else None
        self._connection.execute(
            f"INSERT OR REPLACE INTO minute (person, era, {COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (person, era, minute, row.offset, to_blob(row.codes), peak, row.doubt_db),
        )

    def _write_sitting(self, each: _Open) -> None:
        sitting = each.sitting
        values = (each.person, sitting.era, sitting.began, sitting.seen, int(sitting.ended))
        if each.row is not None:
            words = "UPDATE sitting SET person = ?, era = ?, began = ?, seen = ?, farewell = ? WHERE id = ?"
            if self._connection.execute(words, (*values, each.row)).rowcount:
                return
            # Another program deleted it meanwhile: the time before is no gap.
            each.sitting = replace(sitting, began=sitting.seen)
            values = (each.person, sitting.era, sitting.seen, sitting.seen, int(sitting.ended))
        words = "INSERT INTO sitting (person, era, began, seen, farewell) VALUES (?, ?, ?, ?, ?)"
        each.row = self._connection.execute(words, values).lastrowid

    def _follow_file(self) -> None:
        """Open the present file, or a new one, if the file was deleted or replaced."""
        before = self._store
        if before.is_there():
            return
        came = "nothing of it could be read any more"
        with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as content:
            leave(before.connection, content)
            self._store = open_store(before.path)
            self._connection = self._store.connection
            with contextlib.suppress(sqlite3.Error):
                copy_rows(content, self._connection)
                came = "its levels are written there again"
        for each in (self._open, *self._ended):
            if each is not None and each.row is not None:
                each.row = self._row_of(each)
        self._went = (
            f"The logbook {before.path} was deleted or moved while it was in use; a new one is begun and {came}. "
            f"To delete a person's listening, use “earwitness exposure --forget”. {self._store.sentence}"
        ).strip()

    def _row_of(self, each: _Open) -> int | None:
        """The number of a sitting that was copied into another file."""
        words = "SELECT max(id) FROM sitting WHERE person = ? AND era = ? AND began = ?"
        with contextlib.suppress(sqlite3.Error):
            found = self._connection.execute(words, (each.person, each.sitting.era, each.sitting.began)).fetchone()
            return int(found[0]) if found[0] is not None else None
        return None

    # Eras

    def _era_now(self, person: str) -> int:
        """The era of a sitting that begins now; a new one when the clock was set since the newest."""
        self._clock.restart()
        noted, here = self._noted(), self._here()
        newest = noted[-1] if noted else Noted(1, here.now, here.now - 1, {})
        era = newest.era
        self._said_of_clock = ""
        if is_another(newest, noted[:-1], here):
            era += 1
            self._new_era = (era, here.now)
            if newest.last > here.now:
                self._said_of_clock = SET_BACK
        else:
            self._lead = max(0, self._last_of(person, era) + 1 - here.now)
        if here.boot and here.boot not in (newest.anchors if era == newest.era else {}):
            self._anchor = (era, here.boot, here.anchor)
        return era

    def _last_of(self, person: str, era: int) -> int:
        """The last second recorded of a person in an era."""
        words = "SELECT max(seen) FROM sitting WHERE person = ? AND era = ?"
        seen = [each.sitting.seen for each in self._ended if (each.person, each.sitting.era) == (person, era)]
        with contextlib.suppress(sqlite3.Error):
            seen.append(self._connection.execute(words, (person, era)).fetchone()[0] or 0)
        return max(seen, default=0)

    def _newest_era(self) -> int:
        words = "SELECT max((SELECT coalesce(max(era), 1) FROM era), (SELECT coalesce(max(era), 1) FROM sitting))"
        era = int(self._connection.execute(words).fetchone()[0])
        return max(era, self._new_era[0] if self._new_era else 1)

    def _follow_era(self) -> None:
        """Continue in the era that another program started because the clock was set."""
        if self._open is None:
            return
        with contextlib.suppress(sqlite3.Error):
            if self._newest_era() > self._open.sitting.era:
                self.begin_sitting(self._open.person)

    def _here(self) -> Here:
        return Here(math.floor(self._clock.now()), self._clock.boot, self._clock.anchor)

    def _noted(self) -> list[Noted]:
        """Every era with stored or pending levels, the oldest first."""
        spans: dict[int, list[int]] = {}
        anchors: dict[int, dict[str, int]] = {}
        with contextlib.suppress(sqlite3.Error):
            for era, first, last in self._connection.execute(
                "SELECT era, min(began), max(seen) FROM sitting GROUP BY era"
            ):
                spans[int(era)] = [int(first), int(last)]
            for era, boot, anchor in self._connection.execute("SELECT era, boot, anchor FROM clock"):
                anchors.setdefault(int(era), {})[boot] = int(anchor)
            began = dict(self._connection.execute("SELECT era, began FROM era"))
            for era in {1, *began} - set(spans):  # its sittings were deleted, or lost with a damaged file
                words = "SELECT min(minute) * 60, max(minute) * 60 + 59 FROM minute WHERE era = ?"
                first, last = self._connection.execute(words, (era,)).fetchone()
                if first is not None or era in began:
                    spans[era] = [began[era]] * 2 if first is None else [first, last]
        if self._new_era is not None:
            spans.setdefault(self._new_era[0], [self._new_era[1]] * 2)
        if self._anchor is not None:
            anchors.setdefault(self._anchor[0], {})[self._anchor[1]] = self._anchor[2]
        for each in (*self._ended, self._open):
            if each is not None and each.sitting.seen >= each.sitting.began:
                span = spans.setdefault(each.sitting.era, [each.sitting.began, each.sitting.seen])
                span[:] = min(span[0], each.sitting.began), max(span[1], each.sitting.seen)
        return [Noted(era, spans[era][0], spans[era][1], anchors.get(era, {})) for era in sorted(spans)]

    # Reading from disk

    def _read_era(self, person: str, era: Placed, first: int) -> History:
        """The minutes of one era from disk, merged with those not yet written."""
        rows: dict[int, Minute] = {}
        words = f"SELECT {COLUMNS} FROM minute WHERE person = ? AND era = ? AND minute >= ?"
        with contextlib.suppress(sqlite3.Error):
            for found in self._connection.execute(words, (person, era.era, first)):
                with contextlib.suppress(ValueError, TypeError):  # a damaged one hides no other
                    rows |= [from_row(found)]
        for (whose, in_era, minute), pending in self._pending.items():
            if whose == person and in_era == era.era and minute >= first:
                rows[minute] = pending.over(rows.get(minute, pending))
        return history_of(rows, era)

    def _read_gaps(self, person: str, era: Placed, part: History, first: int, now: int) -> tuple[Gap, ...]:
        sittings = []
        words = "SELECT id, began, seen, farewell FROM sitting WHERE person = ? AND era = ? AND seen >= ?"
        since = first * SECONDS_PER_MINUTE
        own = [each for each in (self._open, *self._ended) if each is not None and each.person == person]
        with contextlib.suppress(sqlite3.Error, ValueError):
            for row, began, seen, farewell in self._connection.execute(words, (person, era.era, since)):
                if row not in [each.row for each in own]:
                    sittings.append(Sitting(era.era, int(began), int(seen), bool(farewell)))
        # The open sitting of this program continues through silence.
        sittings += [
            replace(each.sitting, ended=True)
            for each in own
            if each.sitting.era == era.era and each.sitting.seen >= each.sitting.began
        ]
        return find_gaps(part, sittings, since, None if era.ended else now)


def persons_in(path: Path) -> tuple[str, ...]:
    """Names of all persons in this file, sorted; empty when it cannot be read. The file is not changed."""
    with contextlib.suppress(*UNREADABLE), contextlib.closing(open_to_read(path)) as connection:
        return tuple(_persons(connection))
    return ()


def _persons(connection: sqlite3.Connection) -> list[str]:
    words = "SELECT DISTINCT person FROM sitting ORDER BY person"
    return [person for (person,) in connection.execute(words) if isinstance(person, str)]
