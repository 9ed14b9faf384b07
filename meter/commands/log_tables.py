"""What `earwitness log` prints: the figures of a stretch, its events, and the same as JSON."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from rich.table import Table
from rich.text import Text

from dsp.exposure.exposure import Rule
from meter.commands.exposure_tables import CAUTIONS, decibels, duration, percent
from meter.commands.figure_labels import label_of
from meter.commands.log_csv import utc
from meter.commands.terminal import visible
from meter.figures import figure
from meter.instances import feed_title
from meter.logbook.day_totals import FeedTotals, Figure, SeatTotals, gaps
from meter.logbook.recorded_day import Event
from meter.readings import JSON_DECIMALS, JSON_SUFFIX

MOST_EVENTS = 200
"""More are left out of the table, the oldest first."""

KINDS = {
    "segment": "source", "gap": "gap", "state": "state", "engine": "engine", "meter": "meter", "mark": "mark",
    "pass": "pass", "note": "note", "over": "over", "clip": "clip", "verdict": "said",
}  # fmt: skip
"""Kinds of events as they are printed."""

NOT_CALIBRATED = "not calibrated in this time"
NO_BLOCKS = "no loudness was recorded"
NO_FIGURE = "not known in this time"


@dataclass(frozen=True)
class Stretch:
    """A job's record from ``since`` on. ``span`` is its first second and the one after its last, None without one.

    ``sources`` are the names of what was listened to, ``said`` what could not be read.
    """

    job: str
    since: float
    span: tuple[int, int] | None
    feeds: tuple[FeedTotals, ...]
    seat: SeatTotals
    rule: Rule
    events: tuple[Event, ...]
    sources: tuple[str, ...]
    said: tuple[str, ...]


def heading(stretch: Stretch) -> Iterator[str]:
    """Job, time, sources, gaps and listening, a line each."""
    yield f"Job “{visible(stretch.job)}”, {_span_words(stretch)}"
    if stretch.sources:
        yield f"source: {', '.join(map(visible, stretch.sources))}"
    count, seconds = gaps(stretch.events)
    yield f"gaps: {count}, {seconds:.1f} s together" if count else "gaps: none"
    yield f"listening: {_listening(stretch)}"


def _span_words(stretch: Stretch) -> str:
    if stretch.span is None:
        return f"nothing was measured since {_moment(stretch.since):%A %d %B %Y, %H:%M}"
    first, last = map(_moment, stretch.span)
    same = first.date() == last.date()
    return f"{first:%A %d %B %Y, %H:%M:%S} to {last:{'%H:%M:%S' if same else '%A %d %B %Y, %H:%M:%S'}}"


def _moment(at: float) -> datetime:
    try:
        return datetime.fromtimestamp(at)
    except (ValueError, OverflowError, OSError):
        return datetime.fromtimestamp(0)


def _listening(stretch: Stretch) -> str:
    seat = stretch.seat
    if not seat.hours:
        return NOT_CALIBRATED
    used = f"{percent(seat.share_percent)} of one {stretch.rule.period}'s allowance ({stretch.rule.name})"
    return f"estimate: {duration(seat.hours)} at {decibels(seat.level_dba, 'A')}, {used}"


def figures_table(totals: FeedTotals, labels: Mapping[str, str]) -> Table:
    """One line for each figure of a feed."""
    table = Table(box=None, pad_edge=False)
    table.add_column(visible(feed_title(totals.feed)), overflow="fold")
    for heading_ in ("lowest", "median", "highest"):
        table.add_column(heading_, justify="right", no_wrap=True)
    table.add_column("", no_wrap=True)
    if not math.isnan(totals.integrated_lufs):
        words = f"loudness of all {duration(totals.seconds / 3600.0)}, gated"
        table.add_row(words, "", figure(totals.integrated_lufs), "", "LUFS")
    for each in totals.figures:
        if not math.isnan(each.middle):
            row = [figure(value, 1 if each.unit else 2) for value in (each.least, each.middle, each.most)]
            table.add_row(Text(visible(label_of(each.key, labels))), *row, each.unit if each.unit != "count" else "")
    return table


def events_table(events: Sequence[Event]) -> Table:
    """What happened, in order of time."""
    table = Table(box=None, pad_edge=False, show_header=False)
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    left_out = len(events) - MOST_EVENTS
    if left_out > 0:
        table.add_row("", "", f"{left_out:,} earlier events are left out; --csv and --json have them")
    shown = sorted(events[max(0, left_out) :], key=lambda event: event.span[0])
    dated = len({_moment(event.at).date() for event in shown}) > 1
    for event in shown:
        at = _moment(event.span[0])
        lasted = f" ({_length(event.seconds)})" if math.isfinite(event.seconds) else ""
        feed = f"{feed_title(event.feed)}: " if event.feed else ""
        words = Text(visible(f"{feed}{event.words}{lasted}"))
        table.add_row(f"{at:%d %b %H:%M:%S}" if dated else f"{at:%H:%M:%S}", KINDS.get(event.kind, event.kind), words)
    return table


def _length(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds < 60.0 else duration(seconds / 3600.0)


def notes(stretch: Stretch) -> list[str]:
    """What could not be read, and the cautions where a listening level is told."""
    return [*stretch.said, *(CAUTIONS if stretch.seat.hours else ())]


def as_json(stretch: Stretch) -> dict[str, Any]:
    """Numbers, or null with the reason under ``why``."""
    why: dict[str, str] = {}
    count, seconds = gaps(stretch.events)
    found: dict[str, Any] = {
        "job": stretch.job,
        "since_utc": utc(stretch.since),
        "first_utc": utc(stretch.span[0]) if stretch.span else None,
        "last_utc": utc(stretch.span[1]) if stretch.span else None,
        "sources": list(stretch.sources),
        "gaps": count,
        "gaps_seconds": round(seconds, 3),
        "feeds": {each.feed: _feed_json(each, why) for each in stretch.feeds},
        "listening": _listening_json(stretch, why),
        "events": [_event_json(event) for event in stretch.events],
    }
    if stretch.span is None:
        why["first_utc"] = why["last_utc"] = "nothing was measured in this time"
    if said := notes(stretch):
        found["notes"] = said
    return found | ({"why": why} if why else {})


def _feed_json(totals: FeedTotals, why: dict[str, str]) -> dict[str, Any]:
    place = f"feeds.{totals.feed}"
    return {
        "seconds": totals.seconds,
        "integrated_lufs": _number(totals.integrated_lufs, f"{place}.integrated_lufs", why, NO_BLOCKS),
        "figures": {_json_key(each): _figure_json(each, place, why) for each in totals.figures},
    }


def _json_key(each: Figure) -> str:
    return "_".join(filter(None, [each.key, JSON_SUFFIX.get(each.unit, "")]))


def _figure_json(each: Figure, place: str, why: dict[str, str]) -> dict[str, float | None]:
    ends = {"lowest": each.least, "median": each.middle, "highest": each.most}
    return {name: _number(value, f"{place}.{_json_key(each)}.{name}", why) for name, value in ends.items()}


def _number(value: float, place: str, why: dict[str, str], unknown: str = NO_FIGURE) -> float | None:
    if math.isfinite(value):
        return round(value, JSON_DECIMALS)
    why[place] = unknown if math.isnan(value) else "silence" if value < 0 else "without limit"
    return None


def _listening_json(stretch: Stretch, why: dict[str, str]) -> dict[str, Any]:
    seat = stretch.seat
    found: dict[str, Any] = {"estimate": True, "rule": stretch.rule.name, "hours": round(seat.hours, 2)}
    for name, value in (("level_dba", seat.level_dba), ("share_percent", seat.share_percent)):
        found[name] = _number(value, ".".join(("listening", name)), why, NOT_CALIBRATED)
        found[name] = None if found[name] is None else round(found[name], 1)
    return found


def _event_json(event: Event) -> dict[str, Any]:
    found: dict[str, Any] = {"utc": utc(event.at), "kind": event.kind, "feed": event.feed, "words": event.words}
    if math.isfinite(event.seconds):
        found["seconds"] = round(event.seconds, 3)
    if figures := {key: round(value, JSON_DECIMALS) for key, value in event.figures.items() if math.isfinite(value)}:
        found["figures"] = figures
    return found
