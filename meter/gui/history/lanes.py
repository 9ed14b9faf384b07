"""Which recorded figures are drawn together: one lane for each unit. No Qt."""

from __future__ import annotations

import math
import re
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

MOST_FIGURE = 1e6
"""Larger ones come from a damaged file, and Qt cannot draw them."""

NO_LANE = ("count",)
"""Units of figures that are no level: counters."""

UNITS = ("LUFS", "dBTP", "dB(A)", "dB", "", "%", "VU", "dBFS")
"""Units in the order of their lanes; others follow as they were recorded. What does not fit is left out."""

LEAST_SPANS = {"": 0.4, "%": 20.0, "LU": 4.0}
"""Least height of a lane's axis in its unit."""
USUAL_LEAST_SPAN = 6.0
MOST_SPANS = dict.fromkeys(("LUFS", "dBTP", "dBFS", "VU", "dB(A)", "dB(C)"), 42.0)
"""Levels farther below the highest are drawn at the lower edge: pauses would flatten the rest."""


@dataclass(frozen=True)
class Line:
    """One recorded figure as a line with its ``values`` ``(n,)``; ``meter`` and ``name`` are what it is called."""

    key: str
    meter: str
    name: str
    values: FloatArray

    @property
    def whole_name(self) -> str:
        """Meter and name."""
        return ": ".join(filter(None, [self.meter, self.name]))


@dataclass(frozen=True)
class Lane:
    """Figures of one unit; ``low`` and ``high`` are the ends of its axis."""

    unit: str
    lines: tuple[Line, ...]
    low: float
    high: float

    @property
    def meter(self) -> str:
        """The meter of several lines, where that is one; empty otherwise."""
        meters = {line.meter for line in self.lines}
        return meters.pop() if len(meters) == 1 and len(self.lines) > 1 else ""

    @property
    def name(self) -> str:
        """What is drawn, with its unit: ``Loudness, LUFS``."""
        return ", ".join(filter(None, [self.meter or self.lines[0].whole_name, self.unit]))

    def words(self, line: Line, row: int | None, *, brief: bool = False) -> str:
        """A line's name, ``brief`` without its meter's, with its figure in one row: ``short-term −16.2 LUFS``."""
        name = line.name if self.meter or brief else line.whole_name
        if row is None:
            return name if self.meter or brief or len(self.lines) > 1 else self.name
        return f"{name} {with_unit(float(line.values[row]), self.unit, decimals(self.unit))}"


def decimals(unit: str) -> int:
    """Decimals that a figure of one second supports: none for estimates of a level at the seat."""
    return {"dB(A)": 0, "dB(C)": 0, "%": 0, "": 2}.get(unit, 1)


def axis_words(value: float, spacing: float) -> str:
    """A label of an axis, with a true minus sign."""
    return figure(value, 0 if spacing >= 1.0 else 1 if spacing >= 0.1 else 2)


def named(key: str, labels: Mapping[str, str]) -> tuple[str, str]:
    """Meter and figure of a key in words, the figure up to a comma or semicolon; a further instance has its number.

    ``labels`` are ``meter: figure`` by the key of the first instance.
    """
    instance, _, field = key.partition(".")
    meter, colon, figure_ = labels.get(first_key(key), "").partition(": ")
    number = "" if first_key(key) == key else f" {instance.rpartition('_')[2]}"
    if not colon:
        return f"{first_key(key).partition('.')[0].replace('_', ' ')}{number}", field.replace("_", " ")
    return f"{meter}{number}", re.split("[,;]", figure_)[0]


def drawable(record: FeedRecord) -> list[str]:
    """Keys of the figures that can be drawn, in the order in which they were recorded."""
    blocks = record.named(BLOCKS)
    return [key for key, unit in record.units.items() if key != blocks and unit not in NO_LANE]


def lanes_of(
    record: FeedRecord, labels: Mapping[str, str], chosen: Sequence[str] = (), columns: Sequence[str] = ()
) -> list[Lane]:
    """The lanes of a feed: of the ``chosen`` keys, or without any of the first figures of each unit.

    ``columns`` name the values of a figure that has as many: parts, or before and after. Without names its highest
    value is drawn.
    """
    by_unit: dict[str, list[Line]] = {}
    for key in drawable(record):
        if not chosen or key in chosen:
            lines = by_unit.setdefault(record.units[key], [])
            lines += [line for line in _lines(record, key, labels, columns) if np.isfinite(line.values).any()]
    ranked = sorted(by_unit, key=lambda unit: UNITS.index(unit) if unit in UNITS else len(UNITS))
    return [_lane(unit, tuple(by_unit[unit][:MOST_LINES])) for unit in ranked if by_unit[unit]]


def _lines(record: FeedRecord, key: str, labels: Mapping[str, str], columns: Sequence[str]) -> list[Line]:
    """A figure as one line, or the largest of its named values, each as one."""
    values, (meter, name) = record.columns[key], named(key, labels)
    values = np.where((values <= MOST_FIGURE) & ((values >= -MOST_FIGURE) | (values == -np.inf)), values, np.nan)
    if values.ndim == 1:
        return [Line(key, meter, name, values)]
    if len(columns) != values.shape[1]:
        return [Line(key, meter, name, np.fmax.reduce(values, axis=1))]
    sizes = np.nan_to_num(values, neginf=0.0).mean(axis=0)
    largest = sorted(np.argsort(-sizes, kind="stable")[:MOST_LINES].tolist())
    return [Line(key, f"{meter}: {name}", columns[place], values[:, place]) for place in largest]


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
