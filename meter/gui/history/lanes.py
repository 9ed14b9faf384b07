"""Which recorded figures are drawn together: one lane for each unit. No Qt."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from meter.figures import figure, with_unit
from meter.gui.history.envelope import FloatArray, limits
from meter.instances import first_key
from meter.logbook.day_totals import BLOCKS
from meter.logbook.recorded_day import FeedRecord

MOST_LINES = 3
"""More lines in one lane cannot be told apart."""

NO_LANE = ("count",)
"""Units of figures that are no level: counters."""

NAMES = {
    "LUFS": "loudness", "dBTP": "true peak", "dBFS": "peak", "dB(A)": "listening level, estimate",
    "dB(C)": "C-weighted peak, estimate", "VU": "VU", "": "correlation",
}  # fmt: skip
"""What a lane is called by its unit; other units name it themselves."""

LEAST_SPANS = {"": 0.4, "%": 20.0, "LU": 4.0}
"""Least height of a lane's axis in its unit."""
USUAL_LEAST_SPAN = 6.0
MOST_SPANS = dict.fromkeys(("LUFS", "dBTP", "dBFS", "VU", "dB(A)", "dB(C)"), 42.0)
"""Levels farther below the highest are drawn at the lower edge: pauses would flatten the rest."""


@dataclass(frozen=True)
class Line:
    """One recorded figure as a line: its ``values`` ``(n,)`` are the highest of a figure of several values."""

    key: str
    name: str
    values: FloatArray

    def words(self, row: int, unit: str) -> str:
        """``short-term −16.2 LUFS`` at one row."""
        return f"{self.name} {with_unit(float(self.values[row]), unit, decimals(unit))}"


@dataclass(frozen=True)
class Lane:
    """Figures of one unit; ``low`` and ``high`` are the ends of its axis."""

    unit: str
    lines: tuple[Line, ...]
    low: float
    high: float

    @property
    def name(self) -> str:
        """What is drawn, with its unit: ``loudness, LUFS``."""
        return ", ".join(filter(None, [NAMES.get(self.unit, ""), self.unit]))


def decimals(unit: str) -> int:
    """Decimals that a figure of one second supports: none for estimates of a level at the seat."""
    return {"dB(A)": 0, "dB(C)": 0, "%": 0, "": 2}.get(unit, 1)


def axis_words(value: float, spacing: float) -> str:
    """A label of an axis, with a true minus sign."""
    return figure(value, 0 if spacing >= 1.0 else 1 if spacing >= 0.1 else 2)


def short_label(key: str, labels: Mapping[str, str]) -> str:
    """A key in words: its label without the name of its meter, up to the first comma; an instance has its number."""
    known = labels.get(first_key(key), "") or key.partition(".")[2].replace("_", " ")
    number = "" if first_key(key) == key else f" ({key.partition('.')[0].rpartition('_')[2]})"
    return f"{known.partition(': ')[2].partition(',')[0] or known}{number}"


def drawable(record: FeedRecord) -> list[str]:
    """Keys of the figures that can be drawn, in the order in which they were recorded."""
    blocks = record.named(BLOCKS)
    return [key for key, unit in record.units.items() if key != blocks and unit not in NO_LANE]


def lanes_of(record: FeedRecord, labels: Mapping[str, str], chosen: Sequence[str] = ()) -> list[Lane]:
    """The lanes of a feed: of the ``chosen`` keys, or without any of the first figures of each unit."""
    by_unit: dict[str, list[Line]] = {}
    for key in drawable(record):
        if chosen and key not in chosen:
            continue
        values = record.columns[key]
        if not np.isfinite(values).any():
            continue
        highest = values if values.ndim == 1 else np.fmax.reduce(values, axis=1)
        lines = by_unit.setdefault(record.units[key], [])
        if len(lines) < MOST_LINES:
            lines.append(Line(key, short_label(key, labels), highest))
    return [_lane(unit, tuple(lines)) for unit, lines in by_unit.items()]


def _lane(unit: str, lines: tuple[Line, ...]) -> Lane:
    together = np.concatenate([line.values for line in lines])
    low, high = limits(together, LEAST_SPANS.get(unit, USUAL_LEAST_SPAN), MOST_SPANS.get(unit, math.inf)) or (
        math.nan,
        math.nan,
    )
    if unit == "":
        low, high = min(low, -0.1), max(high, 1.05)  # correlation: 0 is the line that matters
    return Lane(unit, lines, low, high)


def row_at(at: FloatArray, moment: float) -> int | None:
    """The row of the second that holds a moment; None where nothing was recorded then."""
    row = int(np.searchsorted(at, moment, side="right")) - 1
    return row if row >= 0 and moment - at[row] < 1.0 else None
