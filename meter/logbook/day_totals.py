"""Totals of a recorded stretch: loudness over all of it, listening level, how much was recorded and missed.

A figure is found by the name of its field, whichever meter has it. NaN is "not recorded".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dsp.exposure.exposure import Rule, equivalent_level_db
from dsp.loudness.gating import integrated_of_blocks
from meter.logbook.recorded_day import Event, FeedRecord, FloatArray, RecordedDay
from meter.logbook.stored_levels import CODES_PER_DB, MOST_CODE, encode, share_per_second

BLOCKS = "blocks"
"""Loudness in LUFS of the ten 400 ms blocks that ended in a second: what integrated loudness is made of."""

SEAT_SECOND = "seat_second"
"""Estimated listening level of one second in dB(A)."""

SECONDS_PER_HOUR = 3600.0
GAP = "gap"


@dataclass(frozen=True)
class Figure:
    """Least, middle and most of one recorded figure; a figure of several values counts them all."""

    key: str
    unit: str
    least: float
    middle: float
    most: float


@dataclass(frozen=True)
class FeedTotals:
    """One feed: seconds with a row, integrated loudness of all its blocks in LUFS, and each figure."""

    feed: str
    seconds: int
    integrated_lufs: float
    figures: tuple[Figure, ...]


@dataclass(frozen=True)
class SeatTotals:
    """Listening: hours with a level, their equivalent level in dB(A), share of the rule's allowance in per cent."""

    hours: float
    level_dba: float
    share_percent: float


def integrated_lufs(record: FeedRecord) -> float:
    """Integrated loudness over all rows (ITU-R BS.1770-5 Annex 1); NaN where no blocks were recorded."""
    key = record.named(BLOCKS)
    return integrated_of_blocks(record.columns[key].ravel()) if key else math.nan


def feed_totals(feed: str, record: FeedRecord) -> FeedTotals:
    """Totals of one feed; the blocks that loudness is made of are no figure of their own."""
    shown = [key for key in record.columns if key != record.named(BLOCKS)]
    figures = tuple(_figure(key, record.units[key], record.columns[key]) for key in shown)
    return FeedTotals(feed, len(np.unique(record.at)), integrated_lufs(record), figures)


def _figure(key: str, unit: str, values: FloatArray) -> Figure:
    known = values[~np.isnan(values)]
    if not known.size:
        return Figure(key, unit, math.nan, math.nan, math.nan)
    middle = float(np.quantile(known, 0.5, method="lower"))  # a mean of silence and sound would be neither
    return Figure(key, unit, float(known.min()), middle, float(known.max()))


def seat_totals(day: RecordedDay, rule: Rule) -> SeatTotals:
    """Listening levels of the first feed that has any, as ``rule`` counts them."""
    for record in day.feeds.values():
        if key := record.named(SEAT_SECOND):
            levels = record.columns[key].reshape(len(record.at), -1)[:, 0]
            return _seat(levels[~np.isnan(levels)], rule)
    return SeatTotals(0.0, math.nan, math.nan)


def _seat(levels: FloatArray, rule: Rule) -> SeatTotals:
    if not levels.size:
        return SeatTotals(0.0, math.nan, math.nan)
    codes = np.array([encode(level) for level in levels.tolist()], dtype=np.int64)
    average = equivalent_level_db(np.minimum(levels, MOST_CODE / CODES_PER_DB), np.ones(len(levels)))
    return SeatTotals(len(levels) / SECONDS_PER_HOUR, average, float(share_per_second(rule)[codes].sum()))


def gaps(events: Sequence[Event]) -> tuple[int, float]:
    """Number of gaps, and their seconds together."""
    lengths = [event.seconds for event in events if event.kind == GAP and math.isfinite(event.seconds)]
    return len(lengths), math.fsum(lengths)
