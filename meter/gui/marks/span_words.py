"""Spans and incidents in words: the figures of a span, the difference of two, where an over was. No Qt."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from meter import figures as words
from meter.readings import Frame


@dataclass(frozen=True)
class SpanFigure:
    """One figure of a span: its key, what it is called, its unit and that of a difference."""

    key: str
    name: str
    unit: str = ""
    difference_unit: str = ""
    decimals: int = 1
    plus: bool = False

    def text(self, figures: Mapping[str, float]) -> str:
        """The figure without its unit."""
        return words.figure(figures.get(self.key, math.nan), self.decimals, plus=self.plus)

    def difference(self, first: Mapping[str, float], second: Mapping[str, float]) -> float:
        """The second less the first; NaN where one of them is not known or not finite."""
        values = [each.get(self.key, math.nan) for each in (first, second)]
        return values[1] - values[0] if all(map(math.isfinite, values)) else math.nan


FIGURES = (
    SpanFigure("loudness.integrated_mark", "integrated", "LUFS", "LU"),
    SpanFigure("loudness.range_mark", "range", "LU", "LU"),
    SpanFigure("loudness.short_term_max_mark", "max short-term", "LUFS", "LU"),
    SpanFigure("loudness.momentary_max_mark", "max momentary", "LUFS", "LU"),
    SpanFigure("peaks.true_max_mark", "true peak", "dBTP", "dB", plus=True),
    SpanFigure("peaks.to_loudness_mark", "peak to loudness", "LU", "LU"),
    SpanFigure("vu.usual_low_mark", "sits at", "VU", "dB", plus=True),
    SpanFigure("vu.usual_mark", "hits", "VU", "dB", plus=True),
    SpanFigure("vu.max_mark", "max", "VU", "dB", plus=True),
    SpanFigure("peaks.overs_mark", "overs", decimals=0),
    SpanFigure("peaks.clipped_mark", "clipped runs", decimals=0),
    SpanFigure("mono_lows.level_mark", "low end", "dBFS", "dB"),
    SpanFigure("mono_lows.fold_down_loss_mark", "low end mono loss", "dB", "dB"),
)
"""In the order of the list; ``LINE`` are those of the line below the page."""

LINE = tuple(FIGURES[place] for place in (0, 1, 4, 9, 5, 7, 12))


def length(seconds: float) -> str:
    """``0:34``, ``12:05``, ``1:02:07``."""
    if not math.isfinite(seconds):
        return words.NOT_YET
    minutes, rest = divmod(max(0, round(seconds)), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def time_of_day(at: float) -> str:
    """``14:02:31`` by the clock of this place."""
    return time.strftime("%H:%M:%S", time.localtime(at)) if math.isfinite(at) else words.NOT_YET


def line_parts(figures: Mapping[str, float]) -> list[str]:
    """``integrated −14.1 LUFS`` and so on, the most important first; what is not known is left out."""
    parts = []
    for each in LINE:
        text = each.text(figures)
        if text != words.NOT_YET:
            parts.append(f"{each.name} {text} {each.unit}".rstrip())
    return parts


def differences(first: Mapping[str, float], second: Mapping[str, float]) -> list[str]:
    """``integrated +2.3 LU`` and so on: the second less the first; what one of them lacks is left out."""
    parts = []
    for each in FIGURES:
        difference = each.difference(first, second)
        if math.isfinite(difference):
            text = words.figure(difference, each.decimals, plus=True)
            parts.append(f"{each.name} {text} {each.difference_unit}".rstrip())
    return parts


@dataclass(frozen=True)
class Incident:
    """Overs or clipped runs within a second: ``kind`` and ``place`` in seconds since R, time of day, and in words."""

    kind: str
    place: float
    at: float
    what: str


def incidents(frame: Frame, now: float) -> Iterator[Incident]:
    """Overs and clipped runs of the mix, oldest first of each kind; ``now`` is the time of day of the frame."""
    elapsed = frame.status.elapsed_seconds
    channels = len(frame.vector("peaks.true"))
    for place, channel, value, count in _rows(frame, "over", "peak"):
        many = f", {count:.0f} of them" if count > 1 else ""
        level = words.with_unit(value, "dBTP", plus=True)
        yield Incident("over", place, now - (elapsed - place), f"OVER {level}, {_side(channel, channels)}{many}")
    for place, channel, _, count in _rows(frame, "clip", "at"):
        runs = "clipped run" if count == 1 else f"{count:.0f} clipped runs"
        yield Incident("clip", place, now - (elapsed - place), f"{runs}, {_side(channel, channels)}")


def _rows(frame: Frame, kind: str, value: str) -> Iterator[tuple[float, float, float, float]]:
    columns = [frame.vector(f"peaks.{kind}_{key}") for key in ("at", "channel", value, "count")]
    for row in np.stack(columns, axis=1) if all(map(len, columns)) else ():
        if math.isfinite(row[0]):
            yield float(row[0]), float(row[1]), float(row[2]), float(row[3])


def _side(channel: float, channels: int) -> str:
    if channels == 1:
        return "mono"
    return ("left", "right")[int(channel)] if channels == 2 else f"channel {int(channel) + 1}"
