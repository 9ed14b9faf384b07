"""The day record as arrays: for each feed one row a second, and the events. Read only; a recorder may be writing.

Times are seconds since 1970, UTC. A figure that was not there in a second is NaN, silence is minus infinity. Where
two windows recorded the same feed in the same second, the row of the one that began first is taken.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meter.logbook.day_record import MARK, PASS
from meter.logbook.store import open_to_read

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Keys = tuple[tuple[str, str, int], ...]
"""Key, unit and number of values of each figure."""

STORED = np.dtype("<f4")
"""Figures on disk, little-endian whatever the machine."""

MOST_VALUES = 4096
"""A figure with more values was never written by this program."""

LONGEST_REASON = 240

MOST_SECONDS = 2**62
"""Farther from 1970 than any time."""


@dataclass(frozen=True)
class Segment:
    """A stretch of one run of the engine on one source. ``file`` and ``number`` identify it."""

    file: Path
    number: int
    run: str
    began: float
    source: str
    rate_hz: int
    channels: int
    feeds: tuple[str, ...]


@dataclass(frozen=True)
class Event:
    """Something that happened at a moment, or with ``seconds`` (NaN: a moment) over a span.

    A pass ends ``at`` this time, everything else begins then.
    """

    at: float
    kind: str
    words: str
    feed: str = ""
    seconds: float = math.nan
    figures: dict[str, float] = field(default_factory=dict)

    @property
    def span(self) -> tuple[float, float]:
        """Begin and end; the same for a moment."""
        length = self.seconds if math.isfinite(self.seconds) else 0.0
        return (self.at - length, self.at) if self.kind == PASS else (self.at, self.at + length)


@dataclass(frozen=True)
class FeedRecord:
    """Rows of one feed in order of time: ``at`` ``(n,)``; ``columns`` by full key, ``(n,)`` or ``(n, size)``.

    ``segment`` is the place of each row's segment among ``RecordedDay.segments``.
    """

    at: IntArray
    segment: IntArray
    columns: dict[str, FloatArray]
    units: dict[str, str]

    def named(self, name: str) -> str:
        """The first key whose field has this name, of whichever meter; empty where there is none."""
        return next((key for key in self.columns if key.partition(".")[2] == name), "")

    def between(self, first: float, last: float) -> FeedRecord:
        """The rows of the seconds that begin from ``first`` on and before ``last``."""
        rows = slice(int(np.searchsorted(self.at, first)), int(np.searchsorted(self.at, last)))
        columns = {key: values[rows] for key, values in self.columns.items()}
        return FeedRecord(self.at[rows], self.segment[rows], columns, self.units)


@dataclass(frozen=True)
class RecordedDay:
    """Everything that was read. ``sentence`` says what could not be read; ``cursor`` is where to read on."""

    feeds: dict[str, FeedRecord] = field(default_factory=dict)
    events: tuple[Event, ...] = ()
    segments: tuple[Segment, ...] = ()
    sentence: str = ""
    cursor: Cursor = field(default_factory=lambda: Cursor())

    @property
    def span(self) -> tuple[int, int] | None:
        """First second, and the one after the last; None without a row."""
        ends = [(int(each.at[0]), int(each.at[-1]) + 1) for each in self.feeds.values() if len(each.at)]
        return (min(first for first, _ in ends), max(last for _, last in ends)) if ends else None


@dataclass(frozen=True)
class Cursor:
    """What was read last: the second of each series by its file and number, and the event of each file."""

    seconds: dict[tuple[Path, int], int] = field(default_factory=dict)
    events: dict[Path, int] = field(default_factory=dict)


@dataclass(frozen=True)
class _Part:
    """Rows of one series as they were stored: ``figures`` ``(n, width)``; ``keys`` with unit and size."""

    feed: str
    segment: Segment
    keys: Keys
    at: IntArray
    figures: NDArray[np.float32]


def read(
    paths: Path | Sequence[Path],
    since: float = -math.inf,
    until: float = math.inf,
    feeds: Sequence[str] | None = None,
    after: Cursor | None = None,
) -> RecordedDay:
    """Rows and events from ``since`` to ``until`` (exclusive) of these files, of ``feeds`` or of all.

    A file that is missing, damaged or by a newer version gives what can be read of it and one sentence; never raises.
    """
    parts: list[_Part] = []
    events: list[Event] = []
    segments: list[Segment] = []
    said: list[str] = []
    cursor = Cursor(dict(after.seconds), dict(after.events)) if after else Cursor()
    for path in [paths] if isinstance(paths, Path) else paths:
        try:
            with closing(open_to_read(path)) as connection:
                found = _segments(connection, path)
                segments += found.values()
                usable, damaged = _usable_series(connection, found, feeds)
                parts += _parts(connection, usable, (since, until), cursor, path)
                events += _events(connection, (since, until), cursor, path)
                said += [_not_whole(path, "the names of some figures are damaged")] if damaged else []
        except (sqlite3.Error, ValueError, TypeError, OverflowError, OSError) as error:
            said.append(_not_whole(path, str(error)))
    segments.sort(key=lambda each: (each.began, each.file, each.number))
    names = list(dict.fromkeys(part.feed for part in parts))
    records = {name: _joined([part for part in parts if part.feed == name], segments) for name in names}
    return RecordedDay(records, _in_order(events), tuple(segments), " ".join(said), cursor)


def read_after(
    before: RecordedDay,
    paths: Path | Sequence[Path],
    feeds: Sequence[str] | None = None,
    since: float = -math.inf,
    until: float = math.inf,
) -> RecordedDay:
    """``before`` and what was written since; the same object where nothing was."""
    new = read(paths, since, until, feeds, before.cursor)
    if not new.feeds and not new.events and new.sentence == before.sentence and new.segments == before.segments:
        return before
    names = list(dict.fromkeys([*before.feeds, *new.feeds]))
    places = {_identity(each): place for place, each in enumerate(new.segments)}
    moved = np.array([places[_identity(each)] for each in before.segments], dtype=np.int64)
    old = {name: replace(each, segment=moved[each.segment]) for name, each in before.feeds.items()}
    joined = {
        name: _stacked([each[name] for each in (old, new.feeds) if name in each], new.segments) for name in names
    }
    events = _in_order((*before.events, *new.events))
    return RecordedDay(joined, events, new.segments, new.sentence, new.cursor)


def _in_order(events: Iterable[Event]) -> tuple[Event, ...]:
    """Events in order of time; a mark that was named later is there again at its time, and the last name counts."""
    found: dict[object, Event] = {}
    for place, event in enumerate(events):
        key = (event.at, event.feed) if event.kind == MARK else place
        first = found.get(key)
        found[key] = event if first is None else replace(event, figures={**first.figures, **event.figures})
    return tuple(sorted(found.values(), key=lambda event: event.at))


def _identity(segment: Segment) -> tuple[Path, int]:
    return segment.file, segment.number


def _segments(connection: sqlite3.Connection, path: Path) -> dict[int, Segment]:
    rows = connection.execute("SELECT id, run, began, source, rate_hz, channels, feeds FROM segment")
    return {
        int(number): Segment(
            path, int(number), str(run), float(began), str(source), int(rate_hz), int(channels), feed_names(feeds)
        )
        for number, run, began, source, rate_hz, channels, feeds in rows
    }


def feed_names(text: str) -> tuple[str, ...]:
    """Names of a list or of the keys of an object in JSON; nothing where it is damaged."""
    try:
        return tuple(str(each) for each in json.loads(text))
    except (ValueError, TypeError):
        return ()


def _not_whole(path: Path, reason: str) -> str:
    """The sentence for a file of which some is damaged; ``reason`` may hold anything of it."""
    shown = "".join(each if each.isprintable() else "?" for each in reason[:LONGEST_REASON]).rstrip(".")
    return f"{path.name} could not be read whole ({shown}); what was read is shown."


def _usable_series(
    connection: sqlite3.Connection, segments: dict[int, Segment], feeds: Sequence[str] | None
) -> tuple[dict[int, tuple[str, Segment, Keys]], bool]:
    """The series by number, and whether some are left out because what their rows hold cannot be told."""
    known: dict[int, tuple[str, Segment, Keys]] = {}
    damaged = False
    for segment, feed, keys, number in connection.execute("SELECT segment, feed, keys, id FROM series"):
        if int(segment) in segments and (feeds is None or str(feed) in feeds):
            try:
                known[int(number)] = (str(feed), segments[int(segment)], keys_of(keys))
            except (ValueError, TypeError, RecursionError):
                damaged = True
    return known, damaged


def _parts(
    connection: sqlite3.Connection,
    known: dict[int, tuple[str, Segment, Keys]],
    span: tuple[float, float],
    cursor: Cursor,
    path: Path,
) -> list[_Part]:
    """What was recorded of each series; the cursor moves to the last row of the file."""
    found = []
    for number, (feed, segment, keys) in known.items():
        rows = connection.execute(
            "SELECT at, figures FROM second WHERE series = ? AND at > ? AND at >= ? AND at < ? ORDER BY at",
            (number, cursor.seconds.get((path, number), -MOST_SECONDS), *_whole(span)),
        ).fetchall()
        if rows:
            cursor.seconds[path, number] = int(rows[-1][0])
        width = sum(size for _, _, size in keys)
        whole = [row for row in rows if isinstance(row[1], bytes) and len(row[1]) == width * STORED.itemsize]
        if whole:
            at = np.array([row[0] for row in whole], dtype=np.int64)
            figures = np.frombuffer(b"".join(row[1] for row in whole), dtype=STORED).reshape(len(whole), width)
            found.append(_Part(feed, segment, keys, at, figures))
    return found


def _whole(span: tuple[float, float]) -> tuple[int, int]:
    """Two ends as whole seconds that SQLite holds."""
    first, last = (math.ceil(min(max(end, -MOST_SECONDS), MOST_SECONDS)) for end in span)
    return first, last


def keys_of(text: str) -> Keys:
    """Key, unit and number of values of each figure of a row; raises ValueError where it is damaged."""
    found = tuple((str(key), str(unit), int(size)) for key, unit, size in json.loads(text))
    if any(not 0 <= size <= MOST_VALUES for _, _, size in found):
        raise ValueError("a row of figures has an impossible size")
    return found


def _events(connection: sqlite3.Connection, span: tuple[float, float], cursor: Cursor, path: Path) -> Iterable[Event]:
    last = cursor.events.get(path, 0)
    rows = connection.execute(
        "SELECT rowid, at, kind, feed, seconds, words, figures FROM event WHERE rowid > ? ORDER BY rowid", (last,)
    ).fetchall()
    if rows:
        cursor.events[path] = int(rows[-1][0])
    for _, at, kind, feed, seconds, words, figures in rows:
        if isinstance(at, int | float) and span[0] <= at < span[1]:
            length = float(seconds) if isinstance(seconds, int | float) else math.nan
            yield Event(float(at), str(kind), str(words or ""), str(feed or ""), length, _numbers(figures))


def _numbers(text: Any) -> dict[str, float]:
    """Figures of an event; nothing where they are damaged. ``null`` is NaN."""
    try:
        found = json.loads(text) if text else {}
        return {str(key): math.nan if value is None else float(value) for key, value in found.items()}
    except (ValueError, TypeError, AttributeError):
        return {}


def _joined(parts: Sequence[_Part], segments: Sequence[Segment]) -> FeedRecord:
    """All series of one feed, each figure in one column."""
    places = {_identity(segment): place for place, segment in enumerate(segments)}
    return _stacked([_record(part, places[_identity(part.segment)]) for part in parts], segments)


def _record(part: _Part, place: int) -> FeedRecord:
    columns: dict[str, FloatArray] = {}
    units: dict[str, str] = {}
    offset = 0
    for key, unit, size in part.keys:
        with np.errstate(invalid="ignore"):  # a damaged figure may be a signalling NaN
            values = part.figures[:, offset : offset + size].astype(np.float64)
        columns[key] = values[:, 0] if size == 1 else values
        units[key] = unit
        offset += size
    return FeedRecord(part.at, np.full(len(part.at), place, dtype=np.int64), columns, units)


def _stacked(records: Sequence[FeedRecord], segments: Sequence[Segment]) -> FeedRecord:
    """Records of one feed as one, in order of time; figures that only some have are NaN in the others."""
    at = np.concatenate([each.at for each in records])
    segment = np.concatenate([each.segment for each in records])
    chosen = np.lexsort((np.arange(len(at)), segment, at))
    chosen = chosen[_of_one_run(at[chosen], _runs(segments)[segment[chosen]])]
    columns, lengths = {}, [len(each.at) for each in records]
    for key in dict.fromkeys(key for each in records for key in each.columns):
        columns[key] = _column([each.columns.get(key) for each in records], lengths)[chosen]
    units = {key: unit for each in records for key, unit in each.units.items()}
    return FeedRecord(at[chosen], segment[chosen], columns, units)


def _runs(segments: Sequence[Segment]) -> IntArray:
    """For each segment the place of the first one of its run."""
    first: dict[str, int] = {}
    return np.array([first.setdefault(each.run, place) for place, each in enumerate(segments)], dtype=np.int64)


def _of_one_run(at: IntArray, run: IntArray) -> BoolArray:
    """False for a row whose second a run that began earlier has too. A clock set back gives one run two rows."""
    if not len(at):
        return np.zeros(0, dtype=np.bool_)
    begins = np.flatnonzero(np.concatenate(([True], at[1:] != at[:-1])))
    leaders = np.repeat(np.minimum.reduceat(run, begins), np.diff(np.append(begins, len(at))))
    return np.asarray(run == leaders, dtype=np.bool_)


def _column(pieces: Sequence[FloatArray | None], lengths: Sequence[int]) -> FloatArray:
    """Values below each other, in the widest form; NaN where a piece has none."""
    widest = max((piece.shape[1] for piece in pieces if piece is not None and piece.ndim == 2), default=1)
    whole = np.full((sum(lengths), widest), np.nan)
    start = 0
    for piece, length in zip(pieces, lengths, strict=True):
        if piece is not None:
            values = piece.reshape(length, -1)
            whole[start : start + length, : values.shape[1]] = values
        start += length
    return whole if any(piece is not None and piece.ndim == 2 for piece in pieces) else whole[:, 0]
