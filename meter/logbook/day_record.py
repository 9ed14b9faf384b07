"""The day record: what was measured, second by second, and what happened; one SQLite file for each job and local day.

``record/JOB/2026-11-28.sqlite3`` in the program's data folder, made with the care of ``meter.logbook.store``. Files
are kept until they are deleted by hand; ten hours with eight feeds take some tens of megabytes at most.

A row of ``second`` holds the figures of one feed in one second as float32, in the order of the ``keys`` of its
series. Ids of segments and series are drawn by chance, so that rows of several programs, and of files joined after
damage, never mix. Silence is minus infinity, "not yet" is NaN, as in readings.
"""

from __future__ import annotations

import hashlib
import random
import time
import unicodedata
from dataclasses import dataclass, field
from pathlib import Path

from meter.logbook.make import Make, Table, numbers, texts, whole_numbers
from meter.logbook.store import logbook_folder

FOLDER_NAME, SUFFIX = "record", ".sqlite3"
NAMELESS_JOB = "no job"
LONGEST_NAME_BYTES = 100
APPLICATION_ID = 0x45614461
"""``EaDa``: marks a day record among other SQLite files (``PRAGMA application_id``)."""

SEGMENT, GAP, STATE, ENGINE, METER = "segment", "gap", "state", "engine", "meter"
MARK, PASS, NOTE, OVER, CLIP, VERDICT = "mark", "pass", "note", "over", "clip", "verdict"
KINDS = (SEGMENT, GAP, STATE, ENGINE, METER, MARK, PASS, NOTE, OVER, CLIP, VERDICT)
"""Kinds of events. A gap begins ``at`` and is ``seconds`` long; a pass ends ``at``, after ``seconds``."""

FIRST = (
    # One source in one format, listened to by one engine. run: the engine; began: seconds since 1970; feeds: JSON,
    # the columns of each feed by name.
    """
    CREATE TABLE segment (
        id INTEGER PRIMARY KEY, run TEXT NOT NULL, began REAL NOT NULL, job TEXT NOT NULL, source TEXT NOT NULL,
        rate_hz INTEGER NOT NULL, channels INTEGER NOT NULL, feeds TEXT NOT NULL
    )
    """,
    # keys: JSON, [[key, unit, number of values], ...] in the order of the figures.
    "CREATE TABLE series (id INTEGER PRIMARY KEY, segment INTEGER NOT NULL, feed TEXT NOT NULL, keys TEXT NOT NULL)",
    # at: the second since 1970 in which the sound was heard; figures: float32, little-endian.
    """
    CREATE TABLE second (
        series INTEGER NOT NULL, at INTEGER NOT NULL, figures BLOB NOT NULL CHECK (length(figures) % 4 = 0),
        PRIMARY KEY (series, at)
    ) WITHOUT ROWID
    """,
    # seconds: NULL for a moment; figures: JSON; segment: NULL while no source was open.
    """
    CREATE TABLE event (
        id INTEGER PRIMARY KEY, at REAL NOT NULL, kind TEXT NOT NULL, feed TEXT NOT NULL, seconds REAL,
        words TEXT NOT NULL, figures TEXT NOT NULL, segment INTEGER
    )
    """,
    # An event that is handed over twice, because an engine ended meanwhile, is there once.
    "CREATE UNIQUE INDEX event_once ON event (at, kind, feed, words)",
)
STEPS = (FIRST,)

FARTHEST = 1e11
"""Largest valid distance of a time from 1970, in seconds."""

TABLES = {
    "segment": Table(
        "id, run, began, job, source, rate_hz, channels, feeds",
        [
            *whole_numbers("id", "rate_hz", "channels"),
            *texts("run", "job", "source", "feeds"),
            *numbers("began", most=FARTHEST),
        ],
    ),
    "series": Table("id, segment, feed, keys", [*whole_numbers("id", "segment"), *texts("feed", "keys")]),
    "second": Table(
        "series, at, figures",
        [*whole_numbers("series", "at"), "typeof(figures) = 'blob'", "length(figures) % 4 = 0"],
    ),
    "event": Table(
        "at, kind, feed, seconds, words, figures, segment",
        [
            *texts("kind", "feed", "words", "figures"),
            *numbers("at", most=FARTHEST),
            f"(seconds IS NULL OR ({numbers('seconds', most=FARTHEST)[0]}))",
            f"(segment IS NULL OR ({whole_numbers('segment')[0]}))",
        ],
    ),
}

DAY_RECORD = Make(
    APPLICATION_ID,
    STEPS,
    TABLES,
    counted="second",
    newer=(
        "The day record {path} was written by a newer version of this program and is left alone; this day goes on in "
        "{other}."
    ),
    damaged="The day record was unusable ({reason}); it is kept as {aside}, and {came} in the new one.",
    came_some="{count:,} rows of it could be read and are",
    came_none="nothing of it is",
)


def chance_id() -> int:
    """An id that no other program draws: 40 bits by chance."""
    return random.SystemRandom().randrange(1, 2**40)


@dataclass(frozen=True)
class Segment:
    """One source in one format, listened to by one engine; ``feeds`` is JSON, columns by name of the feed."""

    run: str
    began: float
    job: str
    source: str = ""
    rate_hz: int = 0
    channels: int = 0
    feeds: str = "{}"
    id: int = field(default_factory=chance_id)


@dataclass(frozen=True)
class Series:
    """Which figures the rows of one feed hold; ``keys`` is JSON, ``[[key, unit, number of values], ...]``."""

    segment: Segment
    feed: str
    keys: str
    id: int = field(default_factory=chance_id)


@dataclass(frozen=True)
class Second:
    """One second (since 1970): float32 figures of every series that has some."""

    at: int
    rows: tuple[tuple[Series, bytes], ...]


@dataclass(frozen=True)
class Event:
    """Something that happened; ``seconds`` is None for a moment, ``segment`` None while no source was open."""

    at: float
    kind: str
    words: str
    job: str
    feed: str = ""
    seconds: float | None = None
    figures: str = "{}"
    segment: Segment | None = None


def record_folder() -> Path:
    """Folder of this user's day records; it may not exist yet."""
    return logbook_folder() / FOLDER_NAME


def job_folder(job: str, folder: Path | None = None) -> Path:
    """Folder of one job's day records, in ``folder`` or that of this user."""
    return (folder or record_folder()) / file_name(job)


def day_path(job: str, day: str, folder: Path | None = None) -> Path:
    """Path of one job's record of a local day (``2026-11-28``)."""
    return job_folder(job, folder) / f"{day}{SUFFIX}"


def file_name(job: str) -> str:
    """A name of a folder for a job, on every system; two jobs never share one.

    Letters, digits, blanks, hyphens and underscores stay; a name that is changed ends with a few letters of its hash.
    """
    plain = unicodedata.normalize("NFC", job).strip()
    if not plain:
        return NAMELESS_JOB
    kept = "".join(each if each.isalnum() or each in " -_" else "_" for each in plain)
    kept = kept.encode()[:LONGEST_NAME_BYTES].decode(errors="ignore").strip()
    if kept == plain and kept != NAMELESS_JOB:
        return kept
    return f"{kept}-{hashlib.sha256(plain.encode(errors='replace')).hexdigest()[:8]}"


def local_day(at: float) -> str:
    """The local day of a moment (seconds since 1970), as ``2026-11-28``."""
    if hasattr(time, "tzset"):
        time.tzset()  # otherwise a change of time zone while the program runs has no effect
    try:
        return time.strftime("%Y-%m-%d", time.localtime(at))
    except (OverflowError, ValueError, OSError):
        return time.strftime("%Y-%m-%d", time.gmtime(0))
