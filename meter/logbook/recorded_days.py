"""Which jobs and days there are day records of. One SQLite file for each job and local day, see the day record.

A folder that cannot be read, or changes meanwhile, gives what is there.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from meter.logbook.recorded_day import Keys, feed_names, keys_of
from meter.logbook.salvage import UNREADABLE
from meter.logbook.store import open_to_read
from meter.readings import MIX

DAY = re.compile(r"(\d{4}-\d{2}-\d{2})\.sqlite3(\.version-\d+)?")
"""A day's file, and the one that goes on beside a file of a newer version. Copies and damaged files are left out."""


@dataclass(frozen=True)
class Job:
    """A job with a record: its ``name``, its folder, and the files of each local day in order of time."""

    name: str
    folder: Path
    days: Mapping[str, tuple[Path, ...]]

    @property
    def last_day(self) -> str:
        """The newest day."""
        return max(self.days)

    def since(self, day: str) -> list[Path]:
        """Files of this local day and later ones."""
        return [path for each in sorted(self.days) if each >= day for path in self.days[each]]


def recorded_jobs(folder: Path) -> list[Job]:
    """All jobs with a record in ``folder``, the one that was recorded last first."""
    jobs = []
    for inside in _entries(folder):
        days: dict[str, list[Path]] = {}
        for path in _entries(inside):
            if (found := DAY.fullmatch(path.name)) is not None:
                days.setdefault(found[1], []).append(path)
        if days:
            whole = {day: tuple(days[day]) for day in sorted(days)}
            jobs.append(Job(_name_of(whole[max(whole)], inside.name), inside, whole))
    return sorted(jobs, key=_written_last, reverse=True)


def _entries(folder: Path) -> list[Path]:
    try:
        return sorted(folder.iterdir())
    except OSError:
        return []


def _written_last(job: Job) -> tuple[str, float]:
    """The newest day, and when its files were written last."""
    newest = 0.0
    for path in job.days[job.last_day]:
        for name in (path.name, f"{path.name}-wal"):
            with contextlib.suppress(OSError):
                newest = max(newest, path.with_name(name).stat().st_mtime)
    return job.last_day, newest


def _name_of(paths: Sequence[Path], folder: str) -> str:
    """The job as the record itself names it; the name of its folder where it does not."""
    for path in paths:
        with contextlib.suppress(*UNREADABLE, OSError), closing(open_to_read(path)) as connection:
            row = connection.execute("SELECT job FROM segment ORDER BY began DESC LIMIT 1").fetchone()
            if row and str(row[0]).strip():
                return str(row[0])
    return folder


def recorded_feeds(paths: Sequence[Path]) -> dict[str, Keys]:
    """The figures of each feed, key, unit and most values: the mix, then the others in the order of the feed map."""
    found: dict[str, dict[str, tuple[str, int]]] = {}
    mapped = [MIX]
    for path in paths:
        with contextlib.suppress(*UNREADABLE, OSError), closing(open_to_read(path)) as connection:
            rows = connection.execute(
                "SELECT feed, keys, feeds FROM series JOIN segment ON segment.id = segment ORDER BY began"
            ).fetchall()
            for feed, text, feeds in rows:
                mapped += [each for each in feed_names(feeds) if each not in mapped]
                with contextlib.suppress(ValueError, TypeError):
                    known = found.setdefault(str(feed), {})
                    for key, unit, size in keys_of(text):
                        known[key] = (unit, max(size, known.get(key, ("", 0))[1]))
    ranked = sorted(found, key=lambda feed: mapped.index(feed) if feed in mapped else len(mapped))
    return {feed: tuple((key, *rest) for key, rest in found[feed].items()) for feed in ranked}
