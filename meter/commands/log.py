"""Show what was measured and what happened on a day or since a time; export it as CSV."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

from meter.commands.errors import FAILED, CommandError
from meter.commands.exposure import chosen_context
from meter.commands.figure_labels import figure_labels
from meter.commands.log_csv import write_csv
from meter.commands.log_tables import Stretch, as_json, events_table, figures_table, heading, notes
from meter.commands.terminal import console
from meter.logbook.day_record import local_day, record_folder
from meter.logbook.day_totals import feed_totals, seat_totals
from meter.logbook.recorded_day import RecordedDay, read
from meter.logbook.recorded_days import Job, recorded_feeds, recorded_jobs

LEAST_WIDTH = 80
EXAMPLES = "2026-11-28, “2026-11-28 14:30”, 14:30 (today), 90m, 2h or 7d"
UNITS = {"m": "minutes", "h": "hours", "d": "days"}
MOST_AGO = 100_000
NO_RECORD = (
    "Nothing is recorded yet in {folder}. The window records while it listens: open it, and look again after a few "
    "seconds of sound."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add job, time and form of the answer."""
    parser.add_argument("--job", metavar="NAME", help="a job's name or part of it (default: the one recorded last)")
    parser.add_argument("--since", metavar="TIME", help=f"{EXAMPLES} (default: the last recorded day)")
    form = parser.add_mutually_exclusive_group()
    form.add_argument(
        "--csv", type=Path, metavar="FILE.csv", help="write every second into a new file, and the events"
    )
    form.add_argument("--json", action="store_true", help="one object; an unknown figure is null, with a reason")


def run(arguments: argparse.Namespace) -> int:
    """Show or export. Raises CommandError."""
    jobs = recorded_jobs(record_folder())
    if not jobs:
        raise CommandError(NO_RECORD.format(folder=record_folder()), FAILED)
    job = _job_named(arguments.job, jobs)
    since = _begin_of(job.last_day) if arguments.since is None else _time_of(arguments.since, time.time())
    paths = job.since(local_day(since))
    if arguments.csv is not None:
        return _export(job, since, paths, arguments.csv)
    stretch = _stretch(job, since, paths)
    if arguments.json:
        print(json.dumps(as_json(stretch), ensure_ascii=False, allow_nan=False))
    else:
        _show(stretch)
    return 0


def _job_named(words: str | None, jobs: Sequence[Job]) -> Job:
    """The job of this name, or the only one whose name contains the words; raises CommandError."""
    if words is None:
        return jobs[0]
    found = [job for job in jobs if job.name == words]
    found = found or [job for job in jobs if words.casefold() in job.name.casefold()]
    if len(found) == 1:
        return found[0]
    trouble = "More than one recorded job is called" if found else "There is no record of a job called"
    names = "\n".join(f"  {job.name}, last on {job.last_day}" for job in found or jobs)
    raise CommandError(f"{trouble} “{words}”; name one of these:\n{names}")


def _time_of(words: str, now: float) -> float:
    """Seconds since 1970 of a day, a time or a span before ``now``; raises CommandError."""
    text = words.strip()
    if text[:-1].isascii() and text[:-1].isdigit() and text[-1:] in UNITS and int(text[:-1]) <= MOST_AGO:
        return now - timedelta(**{UNITS[text[-1]]: int(text[:-1])}).total_seconds()
    today = datetime.fromtimestamp(now).date().isoformat()
    for form, whole in (("%Y-%m-%d", text), ("%Y-%m-%d %H:%M", text.replace("T", " ")),
                        ("%Y-%m-%d %H:%M", f"{today} {text}")):  # fmt: skip
        try:
            return datetime.strptime(whole, form).astimezone().timestamp()
        except (ValueError, OverflowError, OSError):
            continue
    raise CommandError(f"“{words}” is no time; write one like {EXAMPLES}.")


def _begin_of(day: str) -> float:
    """The first second of a local day."""
    return _time_of(day, time.time())


def _stretch(job: Job, since: float, paths: Sequence[Path]) -> Stretch:
    """Everything about a stretch, one feed at a time: a week of many feeds would fill memory."""
    day = read(paths, since, feeds=())
    rule = chosen_context().rule
    totals, ends, said = [], [], [day.sentence]
    seat = seat_totals(day, rule)
    for feed in recorded_feeds(paths):
        one = read(paths, since, feeds=[feed])
        said.append(one.sentence)
        if feed in one.feeds:
            totals.append(feed_totals(feed, one.feeds[feed]))
            ends.append(one.span)
            seat = seat if seat.hours else seat_totals(one, rule)
    spans = [span for span in ends if span is not None]
    span = (min(first for first, _ in spans), max(last for _, last in spans)) if spans else None
    told = tuple(dict.fromkeys(words for words in said if words))
    return Stretch(job.name, since, span, tuple(totals), seat, rule, day.events, _sources(day), told)


def _sources(day: RecordedDay) -> tuple[str, ...]:
    """The sources, each once."""
    return tuple(dict.fromkeys(each.source for each in day.segments if each.source))


def _show(stretch: Stretch) -> None:
    screen = console(least_width=LEAST_WIDTH)
    for line in heading(stretch):
        screen.print(line, markup=False)
    labels = figure_labels()
    for totals in stretch.feeds:
        screen.print()
        screen.print(figures_table(totals, labels))
    if stretch.events:
        screen.print()
        screen.print(events_table(stretch.events))
    if said := notes(stretch):
        screen.print()
        for line in said:
            screen.print(line, markup=False)


def _export(job: Job, since: float, paths: Sequence[Path], path: Path) -> int:
    """Write the seconds and, beside them, the events; raises CommandError."""
    events = path.with_name(f"{path.stem}-events{path.suffix}")
    written, listed, said = write_csv(paths, since, path, events)
    if said:
        print(said, file=sys.stderr)
    print(
        f"{written:,} rows of “{job.name}”, one for each second and feed, are in {path}; {listed:,} events are in "
        f"{events}. Listening levels in them are estimates. Both are private: only you should read them."
    )
    return 0
