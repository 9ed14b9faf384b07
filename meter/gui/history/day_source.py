"""What the view of the day draws: a job, a day and a feed of the record, read again while it grows. No Qt."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

from meter.gui.history.lanes import Lane, drawable, lanes_of, named
from meter.instances import PAIR_PREFIX, PART_PREFIX, feed_title
from meter.logbook.recorded_day import FeedRecord, RecordedDay, read, read_after
from meter.logbook.recorded_days import Job, recorded_feeds, recorded_jobs
from meter.readings import MIX

SECONDS_PER_DAY = 86_400.0
BEFORE_AND_AFTER = ("before", "after")


class DaySource:
    """The part of the record that is looked at. ``labels`` are the names of figures by full key."""

    def __init__(self, folder: Path, labels: Mapping[str, str]) -> None:
        self._folder, self._labels = folder, labels
        self.jobs: list[Job] = []
        self.job: Job | None = None
        self.day = ""
        self.feeds: tuple[str, ...] = ()
        self.feed = MIX
        self.chosen: tuple[str, ...] = ()
        self.record = RecordedDay()

    @property
    def paths(self) -> tuple[Path, ...]:
        """Files of the day."""
        return self.job.days.get(self.day, ()) if self.job is not None else ()

    @property
    def _around_day(self) -> tuple[float, float]:
        """The day and the one on either side: other times in its file are damaged."""
        try:
            noon = datetime.strptime(f"{self.day} 12", "%Y-%m-%d %H").timestamp()
        except (ValueError, OverflowError, OSError):
            return -math.inf, math.inf
        return noon - 1.5 * SECONDS_PER_DAY, noon + 1.5 * SECONDS_PER_DAY

    @property
    def rows(self) -> FeedRecord | None:
        """Rows of the feed; None without any."""
        return self.record.feeds.get(self.feed)

    @property
    def lanes(self) -> list[Lane]:
        """What is drawn."""
        return lanes_of(self.rows, self._labels, self.chosen, self._columns) if self.rows is not None else []

    @property
    def _columns(self) -> tuple[str, ...]:
        """Names of the values of a figure: the two sides of a stage, or the parts of the source."""
        if self.feed.startswith(PAIR_PREFIX):
            return BEFORE_AND_AFTER
        feeds = self.record.segments[-1].feeds if self.record.segments else ()
        return tuple(feed_title(feed) for feed in feeds if feed.startswith(PART_PREFIX))

    @property
    def named_figures(self) -> dict[str, str]:
        """What can be drawn: keys with name and unit in words."""
        if self.rows is None:
            return {}
        units = self.rows.units
        return {
            key: ", ".join(filter(None, [": ".join(named(key, self._labels)), units[key]]))
            for key in drawable(self.rows)
        }

    @property
    def figures(self) -> list[str]:
        """Keys of what can be drawn."""
        return list(self.named_figures)

    @property
    def span(self) -> tuple[float, float] | None:
        """First and last moment with a row or an event; None without any."""
        ends: list[tuple[float, float]] = [event.span for event in self.record.events]
        if self.record.span is not None:
            ends.append(self.record.span)
        if not ends:
            return None
        least, most = self._around_day
        return max(least, min(first for first, _ in ends)), min(most, max(last for _, last in ends))

    def look(self) -> None:
        """Find the jobs and days again, and read the newest day of the one that was recorded last."""
        self.jobs = recorded_jobs(self._folder)
        if self.jobs:
            self.choose_job(self.jobs[0])
        else:
            self.job, self.day, self.feeds, self.record = None, "", (), RecordedDay()

    def choose_job(self, job: Job) -> None:
        """Look at the last day of another job."""
        self.job = job
        self.choose_day(job.last_day)

    def choose_day(self, day: str) -> None:
        """Look at another day of this job."""
        self.day = day
        self.feeds = tuple(recorded_feeds(self.paths))
        if self.feed not in self.feeds:
            self.feed = MIX if MIX in self.feeds or not self.feeds else self.feeds[0]
        self.record = read(self.paths, *self._around_day, feeds=[self.feed])

    def choose_feed(self, feed: str) -> None:
        """Look at another feed of this day."""
        self.feed = feed
        self.record = read(self.paths, *self._around_day, feeds=[feed])

    def beside(self, step: int) -> str:
        """The day before (-1) or after (1) this one that has a record; empty where there is none."""
        days: Sequence[str] = sorted(self.job.days) if self.job is not None else ()
        place = days.index(self.day) + step if self.day in days else -1
        return days[place] if 0 <= place < len(days) else ""

    def read_on(self) -> bool:
        """Read what was written since; True when that is something."""
        before = self.record
        if before.span is None and not before.events:
            self.look()
        else:
            self.record = read_after(before, self.paths, [self.feed], *self._around_day)
        return self.record is not before
