"""Levels of a person over days, second by second, and the gaps between them.

Rows are minutes. ``at`` is the minute a row counts for: its own, except for minutes recorded under a wrong clock
(``meter.logbook.eras``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from dsp.exposure.exposure import SECONDS_PER_HOUR, Rule, equivalent_level_db
from meter.logbook.stored_levels import (
    NOT_HEARD,
    SECONDS_PER_MINUTE,
    CodeArray,
    FloatArray,
    decode,
    encode,
    share_per_second,
)

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

MINUTES_PER_DAY = 24 * 60
LEAST_GAP_SECONDS = 10
"""Shorter holes come from clocks that differ slightly and are not listed."""

MOST_COUNTED_SECONDS = 3600
"""The level in a gap is unknown; the level before it is counted for an hour at most."""

BEFORE_SECONDS = 60
"""The level before a gap is the average over this time before it."""

ALIVE_SECONDS = 30
"""A sitting with a level this recent is open, perhaps in another program."""


@dataclass(frozen=True)
class Sitting:
    """One run of counting: first and last second, and whether it was ended."""

    era: int
    began: int
    seen: int
    ended: bool


@dataclass(frozen=True)
class Gap:
    """A stretch of a sitting without levels. ``end`` is None when no level followed.

    ``at`` and ``day`` are the minute and the local day (days since 1970) that it counts for, ``offset`` the minutes
    that local time was ahead; ``level_dba`` is the average of the last minute before it, NaN without a level;
    ``counted_seconds`` is the part that counts when gaps are counted.
    """

    start: int
    end: int | None
    at: int
    day: int
    offset: int
    level_dba: float
    counted_seconds: int


@dataclass(frozen=True)
class History:
    """Minutes in order of time. Arrays of one length; ``codes`` is ``(minutes, 60)``, ``peaks_dbc`` may be NaN.

    ``doubts_db`` is the uncertainty of the levels of a minute, either way.
    """

    minutes: IntArray
    at: IntArray
    days: IntArray
    offsets: IntArray
    codes: CodeArray
    peaks_dbc: FloatArray
    doubts_db: FloatArray
    gaps: tuple[Gap, ...] = field(default=())

    @property
    def heard_seconds(self) -> IntArray:
        """Seconds with a level in each minute."""
        return np.asarray(np.count_nonzero(self.codes, axis=1), dtype=np.int64)

    def shares(self, rule: Rule) -> FloatArray:
        """Per cent of the rule's allowance that each minute used."""
        return np.asarray(share_per_second(rule)[self.codes].sum(axis=1), dtype=np.float64)

    def levels_and_hours(self, chosen: BoolArray | None = None) -> tuple[FloatArray, FloatArray]:
        """Different levels in dB(A) and how many hours each lasted, for the functions of ``exposure``."""
        codes = self.codes if chosen is None else self.codes[chosen]
        counts = np.bincount(codes.ravel(), minlength=1)
        counts[NOT_HEARD] = 0
        (used,) = np.nonzero(counts)
        return decode(used.astype(np.uint16)), counts[used] / SECONDS_PER_HOUR

    def average_dba(self, first: int, end: int) -> tuple[float, int]:
        """Energy average of the seconds ``first`` to ``end`` (exclusive) since 1970, and how many have a level."""
        near = (self.minutes >= first // SECONDS_PER_MINUTE) & (self.minutes <= end // SECONDS_PER_MINUTE)
        seconds = _seconds(self.minutes[near])
        codes = self.codes[near].ravel()
        codes = codes[(seconds >= first) & (seconds < end) & (codes != NOT_HEARD)]
        if not codes.size:
            return math.nan, 0
        return equivalent_level_db(decode(codes), np.ones(codes.size)), int(codes.size)


def gap_share(gaps: Sequence[Gap], rule: Rule) -> float:
    """Per cent of the rule's allowance for the gaps at the level before each."""
    table = share_per_second(rule)
    return float(sum(table[encode(gap.level_dba)] * gap.counted_seconds for gap in gaps))


def find_gaps(history: History, sittings: Sequence[Sitting], since: int, now: int | None) -> tuple[Gap, ...]:
    """Gaps after the second ``since`` in the sittings of one era, in order; ``history`` holds that era alone.

    ``now`` is the present second, None for an era that a clock set back brought to its end.
    """
    seconds = _seconds(history.minutes)[history.codes.ravel() != NOT_HEARD]
    found: list[tuple[int, int | None]] = []
    for sitting in sittings:
        found += _holes(seconds, max(sitting.began, since), sitting.seen + 1)
        if not sitting.ended and (now is None or now - sitting.seen > ALIVE_SECONDS):
            found += _unknown_end(seconds, sitting.seen + 1)
    return tuple(_gap(history, start, end, now) for start, end in _merged(found))


def _holes(seconds: IntArray, start: int, end: int) -> list[tuple[int, int | None]]:
    """Stretches of ``start`` to ``end`` (exclusive) without a level."""
    inside = seconds[np.searchsorted(seconds, start) : np.searchsorted(seconds, end)]
    edges = np.concatenate(([start - 1], inside, [end]))
    (holes,) = np.nonzero(np.diff(edges) > LEAST_GAP_SECONDS)
    return [(int(edges[hole]) + 1, int(edges[hole + 1])) for hole in holes]


def _unknown_end(seconds: IntArray, start: int) -> list[tuple[int, int | None]]:
    """The gap from the last second of a sitting without a clean end to the next recorded second, if there is one."""
    place = int(np.searchsorted(seconds, start))
    if place == len(seconds):
        return [(start, None)]
    following = int(seconds[place])
    return [(start, following)] if following - start >= LEAST_GAP_SECONDS else []


def _merged(found: Sequence[tuple[int, int | None]]) -> list[tuple[int, int | None]]:
    """Merge equal gaps recorded by two programs that ran at once."""
    kept: list[tuple[int, int | None]] = []
    for start, end in sorted(found, key=lambda gap: (gap[0], math.inf if gap[1] is None else gap[1])):
        last = kept[-1] if kept else None
        if last is None or (last[1] is not None and start > last[1]):
            kept.append((start, end))
        elif last[1] is not None and (end is None or end > last[1]):
            kept[-1] = (last[0], end)
    return kept


def _gap(history: History, start: int, end: int | None, now: int | None) -> Gap:
    level, _heard = history.average_dba(start - BEFORE_SECONDS, start)
    minute = at = start // SECONDS_PER_MINUTE
    day, offset = minute // MINUTES_PER_DAY, 0
    row = int(np.searchsorted(history.minutes, minute, side="right")) - 1
    if row >= 0:
        offset = int(history.offsets[row])
        at = int(history.at[row]) + minute - int(history.minutes[row])
        day = int(history.days[row]) if at != minute else (minute + offset) // MINUTES_PER_DAY
    until = end if end is not None else now if now is not None else start
    counted = 0 if math.isnan(level) else max(0, min(until - start, MOST_COUNTED_SECONDS))
    return Gap(start, end, at, day, offset, level, counted)


def _seconds(minutes: IntArray) -> IntArray:
    """Every second of these minutes, since 1970."""
    return (minutes[:, None] * SECONDS_PER_MINUTE + np.arange(SECONDS_PER_MINUTE)).ravel()
