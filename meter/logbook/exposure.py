"""The exposure ledger: what each person heard, second by second, estimated in dB(A) at the seat.

A second holds one level per person, the highest that any program noted, so that two programs at once never count
twice. What was noted is written to disk every two seconds; a program that is killed loses no more than that and what
was still on its way. Where writing fails, counting goes on in memory and is written as soon as it can be.

When a sitting begins and the newest second noted lies in the future, the clock was set back: a new *era* begins.
Minutes of different eras are never mixed, and what an older era has in the future counts as just before the new one.

Everything here is an estimate, made from the sound this computer sends out and a calibration.
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
from meter.logbook.history import MINUTES_PER_DAY, Gap, History, Sitting, find_gaps
from meter.logbook.levels import (
    NOT_HEARD,
    SECONDS_PER_MINUTE,
    CodeArray,
    empty_minute,
    encode,
    from_blob,
    to_blob,
)
from meter.logbook.store import Store, forget_deleted, open_to_read

SET_BACK_SECONDS = 30
"""Clocks that are kept right by a server step by less."""

USUAL_DOUBT_DB = 3.0
"""With a proper sound level meter and an untouched control (common practice, no source)."""

COLUMNS = "minute, utc_offset, levels, peak, doubt"
NO_BOUND = 2**62


@dataclass
class _Minute:
    """One person's minute that is not yet on disk."""

    offset: int
    codes: CodeArray
    peak_dbc: float = math.nan
    doubt_db: float = 0.0

    def over(self, other: _Minute) -> _Minute:
        """The same minute as two programs noted it: the higher of everything, the offset of the other."""
        codes = np.maximum(self.codes, other.codes)
        peak_dbc = float(np.fmax(self.peak_dbc, other.peak_dbc))
        return _Minute(other.offset, codes, peak_dbc, max(self.doubt_db, other.doubt_db))


@dataclass
class _Open:
    """The sitting that is going on; ``row`` is its number in the table once it is there."""

    person: str
    sitting: Sitting
    row: int | None = None


@dataclass(frozen=True)
class Kept:
    """How much the ledger holds of one person: minutes, and the first and last of them (since 1970, UTC)."""

    minutes: int
    first: int
    last: int


@dataclass(frozen=True)
class _Era:
    era: int
    bound: int
    """No minute of this era counts as later than this one."""
    ended: bool


class ExposureLedger:
    """Not for two threads at once. Nothing in here raises for what happens to the file."""

    def __init__(self, store: Store, clock: SittingClock) -> None:
        self._store = store
        self._connection = store.connection
        self._clock = clock
        self._pending: dict[tuple[str, int, int], _Minute] = {}
        self._open: _Open | None = None
        self._ended: list[_Open] = []
        self._new_era: tuple[int, int] | None = None
        self._trouble = ""

    @property
    def sentence(self) -> str:
        """What is wrong with the file, or an empty string."""
        return self._trouble or self._store.sentence

    # Noting

    def begin(self, person: str) -> None:
        """A sitting of this person begins; one that was going on ends in good order."""
        self.farewell()
        self.flush()
        era = self._era_now()
        now = math.floor(self._clock.now())
        self._open = _Open(person, Sitting(era, now, now - 1, farewell=False))

    def hear(
        self, second: int, level_dba: float, peak_dbc: float = math.nan, doubt_db: float = USUAL_DOUBT_DB
    ) -> None:
        """Note the level of one second (since 1970) of the sitting, and what it may be off by, either way.

        A level of NaN, and seconds without a sitting, are nothing.
        """
        code = encode(level_dba)
        if self._open is None or code == NOT_HEARD:
            return
        here = self._open
        minute, place = divmod(second, SECONDS_PER_MINUTE)
        key = (here.person, here.sitting.era, minute)
        row = self._pending.get(key)
        if row is None:
            row = self._pending[key] = _Minute(self._clock.offset_minutes(second), empty_minute())
        row.codes[place] = max(int(row.codes[place]), code)
        row.peak_dbc = float(np.fmax(row.peak_dbc, peak_dbc))
        row.doubt_db = max(row.doubt_db, doubt_db)
        began, seen = here.sitting.began, here.sitting.seen
        first_of_all = seen < began
        here.sitting = replace(
            here.sitting, began=second if first_of_all else min(began, second), seen=max(seen, second)
        )

    def farewell(self) -> None:
        """The sitting ends in good order; written with the next flush."""
        if self._open is not None and self._open.sitting.seen >= self._open.sitting.began:
            self._open.sitting = replace(self._open.sitting, farewell=True)
            self._ended.append(self._open)
        self._open = None

    def flush(self) -> bool:
        """Write what is not yet on disk, all of it or nothing; False when it could not be written, and is kept."""
        self._follow_era()
        if not (self._pending or self._ended):
            return True
        try:
            with self._transaction():
                self._write()
        except sqlite3.Error as error:
            self._trouble = (
                f"The logbook cannot be written ({str(error).rstrip('.')}); listening is counted in memory until it "
                f"can be. Look for space and rights on the disk that holds it."
            )
            return False
        self._pending.clear()
        self._ended.clear()
        self._new_era = None
        self._trouble = ""
        return True

    def close(self) -> None:
        """End the sitting, write, and let the file go."""
        self.farewell()
        self.flush()
        self._connection.close()

    # Reading

    def persons(self) -> tuple[str, ...]:
        """Everybody of whom something was noted, in order of name."""
        found = {person for person, _era, _minute in self._pending}
        with contextlib.suppress(sqlite3.Error):
            found |= set(_persons(self._connection))
        return tuple(sorted(found))

    def kept(self, person: str) -> Kept | None:
        """How much the file holds of a person; None for nothing, or when it cannot be read."""
        with contextlib.suppress(sqlite3.Error):
            words = "SELECT count(*), min(minute), max(minute) FROM minute WHERE person = ?"
            count, first, last = self._connection.execute(words, (person,)).fetchone()
            return Kept(count, first, last) if count else None
        return None

    def history(self, person: str, since: float, *, with_gaps: bool = True) -> History:
        """What was heard from ``since`` (seconds since 1970) until now, in order of the time it counts for."""
        now = math.floor(self._clock.now())
        first = math.floor(since) // SECONDS_PER_MINUTE
        parts = []
        for era in self._eras(now):
            if era.bound >= first:
                part = self._read_era(person, era, first)
                gaps = self._read_gaps(person, era, part, first, now) if with_gaps else ()
                parts.append(replace(part, gaps=gaps))
        return _joined(parts)

    def said(self, person: str, day: int) -> dict[int, int]:
        """What was said to a person on a local day (days since 1970): code, and second since 1970."""
        with contextlib.suppress(sqlite3.Error):
            rows = self._connection.execute("SELECT code, at FROM said WHERE person = ? AND day = ?", (person, day))
            return {int(code): int(at) for code, at in rows}
        return {}

    def say(self, person: str, day: int, code: int, at: int) -> None:
        """Note that something was said."""
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
        for (person, era, minute), row in self._pending.items():
            self._write_minute(person, era, minute, row)
        for ended in self._ended:
            self._write_sitting(ended)
        if self._open is not None and self._open.sitting.seen >= self._open.sitting.began:
            self._write_sitting(self._open)

    def _write_minute(self, person: str, era: int, minute: int, row: _Minute) -> None:
        words = f"SELECT {COLUMNS} FROM minute WHERE person = ? AND era = ? AND minute = ?"
        for found in self._connection.execute(words, (person, era, minute)).fetchall():
            row = row.over(_from_row(found)[1])
        peak = row.peak_dbc if math.isfinite(row.peak_dbc) else None
        self._connection.execute(
            f"INSERT OR REPLACE INTO minute (person, era, {COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (person, era, minute, row.offset, to_blob(row.codes), peak, row.doubt_db),
        )

    def _write_sitting(self, each: _Open) -> None:
        sitting = each.sitting
        values = (each.person, sitting.era, sitting.began, sitting.seen, int(sitting.farewell))
        if each.row is not None:
            words = "UPDATE sitting SET person = ?, era = ?, began = ?, seen = ?, farewell = ? WHERE id = ?"
            if self._connection.execute(words, (*values, each.row)).rowcount:
                return
            # It was forgotten meanwhile, by another program: what came before is no gap.
            each.sitting = replace(sitting, began=sitting.seen)
            values = (each.person, sitting.era, sitting.seen, sitting.seen, int(sitting.farewell))
        words = "INSERT INTO sitting (person, era, began, seen, farewell) VALUES (?, ?, ?, ?, ?)"
        each.row = self._connection.execute(words, values).lastrowid

    # Eras

    def _era_now(self) -> int:
        """The era for a sitting that begins now: a new one when the newest second noted lies in the future."""
        try:
            era = self._newest_era()
            words = "SELECT max(seen) FROM sitting WHERE era = ?"
            newest = self._connection.execute(words, (era,)).fetchone()[0] or 0
        except sqlite3.Error:
            era, newest = self._new_era[0] if self._new_era else 1, 0
        newest = max([newest, *(each.sitting.seen for each in self._ended if each.sitting.era == era)])
        self._clock.restart()
        now = math.floor(self._clock.now())
        if newest <= now + SET_BACK_SECONDS:
            return era
        self._new_era = (era + 1, now)
        return era + 1

    def _newest_era(self) -> int:
        era = int(self._connection.execute("SELECT coalesce(max(era), 1) FROM era").fetchone()[0])
        return max(era, self._new_era[0] if self._new_era else 1)

    def _follow_era(self) -> None:
        """Another program found the clock set back: go on in its era, on the clock as it is now."""
        if self._open is None:
            return
        with contextlib.suppress(sqlite3.Error):
            if self._newest_era() > self._open.sitting.era:
                self.begin(self._open.person)

    def _eras(self, now: int) -> list[_Era]:
        began: dict[int, int] = {1: 0}
        with contextlib.suppress(sqlite3.Error):
            began |= {int(era): int(at) for era, at in self._connection.execute("SELECT era, began FROM era")}
        if self._new_era is not None:
            began.setdefault(*self._new_era)
        bound, found = now // SECONDS_PER_MINUTE, []
        newest = max(began)
        for era in sorted(began, reverse=True):
            found.append(_Era(era, bound, ended=era != newest))
            bound = min(bound, began[era] // SECONDS_PER_MINUTE)
        return found

    # Reading from disk

    def _read_era(self, person: str, era: _Era, first: int) -> History:
        """The minutes of one era, what is not yet on disk laid over what is."""
        rows: dict[int, _Minute] = {}
        words = f"SELECT {COLUMNS} FROM minute WHERE person = ? AND era = ? AND minute >= ?"
        with contextlib.suppress(sqlite3.Error):
            for found in self._connection.execute(words, (person, era.era, first)):
                with contextlib.suppress(ValueError, TypeError):  # one that is damaged hides none of the others
                    rows |= [_from_row(found)]
        for (whose, in_era, minute), pending in self._pending.items():
            if whose == person and in_era == era.era and minute >= first:
                rows[minute] = pending.over(rows.get(minute, pending))
        return _history(rows, era.bound)

    def _read_gaps(self, person: str, era: _Era, part: History, first: int, now: int) -> tuple[Gap, ...]:
        sittings = []
        words = "SELECT id, began, seen, farewell FROM sitting WHERE person = ? AND era = ? AND seen >= ?"
        since = first * SECONDS_PER_MINUTE
        own = [each for each in (self._open, *self._ended) if each is not None and each.person == person]
        with contextlib.suppress(sqlite3.Error, ValueError):
            for row, began, seen, farewell in self._connection.execute(words, (person, era.era, since)):
                if row not in [each.row for each in own]:
                    sittings.append(Sitting(era.era, int(began), int(seen), bool(farewell)))
        # What this program has open goes on, even while nothing is heard.
        sittings += [
            replace(each.sitting, farewell=True)
            for each in own
            if each.sitting.era == era.era and each.sitting.seen >= each.sitting.began
        ]
        return find_gaps(part, sittings, since, None if era.ended else now)


def persons_in(path: Path) -> tuple[str, ...]:
    """Everybody who has a ledger in this file, in order of name; nobody where it cannot be read. Changes nothing."""
    with contextlib.suppress(sqlite3.Error), contextlib.closing(open_to_read(path)) as connection:
        return tuple(_persons(connection))
    return ()


def _persons(connection: sqlite3.Connection) -> list[str]:
    words = "SELECT DISTINCT person FROM sitting ORDER BY person"
    return [person for (person,) in connection.execute(words)]


def _from_row(row: tuple[int, int, bytes, float | None, float]) -> tuple[int, _Minute]:
    """A minute since 1970 and what was noted in it, from a row of ``COLUMNS``; raises ValueError or TypeError."""
    minute, offset, blob, peak, doubt = row  # a damaged file may hold anything in any column
    peak_dbc = math.nan if peak is None else float(peak)
    return int(minute), _Minute(int(offset), from_blob(blob), peak_dbc, float(doubt))


def _history(rows: dict[int, _Minute], bound: int) -> History:
    ordered = sorted(rows)
    minutes = np.array(ordered, dtype=np.int64)
    offsets = np.array([rows[minute].offset for minute in ordered], dtype=np.int64)
    codes = np.array([rows[minute].codes for minute in ordered], dtype=np.uint16).reshape(-1, SECONDS_PER_MINUTE)
    peaks = np.array([rows[minute].peak_dbc for minute in ordered], dtype=np.float64)
    doubts = np.array([rows[minute].doubt_db for minute in ordered], dtype=np.float64)
    at = np.minimum(minutes, bound)
    return History(minutes, at, (at + offsets) // MINUTES_PER_DAY, offsets, codes, peaks, doubts)


def _joined(parts: list[History]) -> History:
    """The histories of several eras as one, in order of the minutes they count for."""
    if not parts:
        return _history({}, NO_BOUND)
    order = np.argsort(np.concatenate([part.at for part in parts]), kind="stable")
    return History(
        np.concatenate([part.minutes for part in parts])[order],
        np.concatenate([part.at for part in parts])[order],
        np.concatenate([part.days for part in parts])[order],
        np.concatenate([part.offsets for part in parts])[order],
        np.concatenate([part.codes for part in parts])[order],
        np.concatenate([part.peaks_dbc for part in parts])[order],
        np.concatenate([part.doubts_db for part in parts])[order],
        tuple(sorted((gap for part in parts for gap in part.gaps), key=lambda gap: gap.at)),
    )
