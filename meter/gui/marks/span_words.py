"""Spans and incidents in words: the figures of a span, the difference of two, where an over was. No Qt."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from meter import figures as words
from meter.readings import MAX_LOST_SECONDS, MAX_LOST_SHARE, Frame, Layout

DIFFERENCE_UNITS = {"LUFS": "LU", "LU": "LU", "dBTP": "dB", "dBFS": "dB", "VU": "dB", "dB": "dB"}
SIGNED = ("dBTP", "VU")
"""Units that read with a plus sign above their zero."""
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
LOST = ".lost_mark"
LINE_FIGURES = 7
"""So many, the first by rank, may stand in the line below the page."""


@dataclass(frozen=True)
class SpanFigure:
    """One figure of a span: its key, what it is called, and its unit."""

    key: str
    name: str
    unit: str = ""

    @property
    def _decimals(self) -> int:
        return 1 if self.unit else 0

    def text(self, figures: Mapping[str, float]) -> str:
        """The figure without its unit."""
        return words.figure(figures.get(self.key, math.nan), self._decimals, plus=self.unit in SIGNED)

    def difference(self, first: Mapping[str, float], second: Mapping[str, float]) -> str:
        """The second less the first, with a unit; empty where one of them is not known or not finite."""
        values = [each.get(self.key, math.nan) for each in (first, second)]
        if not all(map(math.isfinite, values)):
            return ""
        text = words.figure(values[1] - values[0], self._decimals, plus=True)
        return f"{text} {DIFFERENCE_UNITS.get(self.unit, self.unit)}".rstrip()


def figures_of(layout: Layout) -> tuple[SpanFigure, ...]:
    """The figures that the meters of a layout have of a span, by rank; those of other feeds last."""
    slots = [(layout.further_feed(slot.key), slot) for slot in layout.slots if slot.span]
    slots.sort(key=lambda found: (bool(found[0]), found[1].span_rank))
    return tuple(
        SpanFigure(slot.key, _on(feed, slot.span), "" if slot.unit == "count" else slot.unit) for feed, slot in slots
    )


def _on(feed: str, words_of_it: str) -> str:
    """What is told of a further instance names its feed."""
    return f"{feed}: {words_of_it}" if feed else words_of_it


def length(seconds: float) -> str:
    """``0:34``, ``12:05``, ``1:02:07``."""
    if not math.isfinite(seconds):
        return words.NOT_YET
    minutes, rest = divmod(max(0, round(seconds)), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def time_of_day(at: float, now: float) -> str:
    """``14:02:31`` by the clock of this place, with the date, ``26 Nov 14:02``, where ``now`` is another day."""
    if not math.isfinite(at):
        return words.NOT_YET
    then, today = time.localtime(at), time.localtime(now)
    if (then.tm_year, then.tm_yday) == (today.tm_year, today.tm_yday):
        return time.strftime("%H:%M:%S", then)
    return f"{then.tm_mday} {MONTHS[then.tm_mon - 1]} {time.strftime('%H:%M', then)}"


def lost_words(figures: Mapping[str, float], seconds: float) -> str:
    """``incomplete: 4 s missing`` for a span of so many seconds with more than 1 s, or 0.1 %, missing; or empty.

    Any meter may tell of it, by a field ``lost_mark`` in seconds.
    """
    lost = max((value for key, value in figures.items() if key.endswith(LOST)), default=0.0)
    if not lost > min(MAX_LOST_SECONDS, MAX_LOST_SHARE * seconds):
        return ""
    return f"incomplete: {words.duration(lost)} missing"


def line_parts(known: Sequence[SpanFigure], figures: Mapping[str, float]) -> list[str]:
    """``integrated −14.1 LUFS`` and so on, the most important first; what is not known is left out."""
    parts = []
    for each in known[:LINE_FIGURES]:
        text = each.text(figures)
        if text != words.NOT_YET:
            parts.append(f"{each.name} {text} {each.unit}".rstrip())
    return parts


def differences(known: Sequence[SpanFigure], first: Mapping[str, float], second: Mapping[str, float]) -> list[str]:
    """``integrated +2.3 LU`` and so on: the second less the first; what one of them lacks is left out."""
    return [f"{each.name} {text}" for each in known if (text := each.difference(first, second))]


@dataclass(frozen=True)
class Incident:
    """Overs or clipped runs within a second: ``kind`` and ``place`` in seconds since R, time of day, and in words."""

    kind: str
    place: float
    at: float
    what: str


def incidents(frame: Frame, now: float) -> Iterator[Incident]:
    """Overs and clipped runs, oldest first of each kind; ``now`` is the time of day of the frame.

    Any meter may tell of them: fields ``over_at``, ``over_channel``, ``over_peak`` and ``over_count`` of one size,
    and ``clip_at``, ``clip_channel`` and ``clip_count``.
    """
    elapsed = frame.status.elapsed_seconds
    for slot in frame.layout.slots:
        meter_id, _, key = slot.key.partition(".")
        kind, _, field = key.partition("_")
        if field != "at" or kind not in ("over", "clip"):
            continue
        channels = len(frame.vector(f"{meter_id}.true_max_each"))
        for place, channel, value, count in _rows(frame, f"{meter_id}.{kind}", "peak" if kind == "over" else "at"):
            side = _side(channel, channels)
            what = _over(value, side, count) if kind == "over" else _clipped(side, count)
            yield Incident(kind, place, now - (elapsed - place), _on(frame.layout.further_feed(slot.key), what))


def _over(peak_dbtp: float, side: str, count: float) -> str:
    many = f", {count:.0f} of them" if count > 1 else ""
    return f"OVER {words.with_unit(peak_dbtp, 'dBTP', plus=True)}, {side}{many}"


def _clipped(side: str, count: float) -> str:
    return f"{'clipped run' if count == 1 else f'{count:.0f} clipped runs'}, {side}"


def _rows(frame: Frame, kind: str, value: str) -> Iterator[tuple[float, float, float, float]]:
    columns = [frame.vector(f"{kind}_{key}") for key in ("at", "channel", value, "count")]
    for row in np.stack(columns, axis=1) if len({len(column) for column in columns}) == 1 else ():
        if math.isfinite(row[0]):
            yield float(row[0]), float(row[1]), float(row[2]), float(row[3])


def _side(channel: float, channels: int) -> str:
    if channels == 1:
        return "mono"
    return ("left", "right")[int(channel)] if channels == 2 else f"channel {int(channel) + 1}"
