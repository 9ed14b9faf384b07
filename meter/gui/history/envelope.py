"""A recorded figure as a line of few points: lowest and highest of each pixel column, so that no peak is lost."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LEFT_OUT_SHARE, MARGIN_SHARE = 0.01, 0.08

SECONDS_WITHOUT_BREAK = 1.5
"""Rows farther apart are not joined: between them nothing was recorded."""


def envelope(at: FloatArray, values: FloatArray, first: float, last: float, columns: int) -> tuple[FloatArray, ...]:
    """Points of a line from ``first`` to ``last``: times, and values with NaN where the line breaks.

    ``at`` are times in order, ``values`` ``(n,)``. Where a column holds several rows it has two points, its lowest
    and its highest value. A row on either side of the view is taken too, so that the line goes on to its edges.
    """
    begin = max(0, int(np.searchsorted(at, first)) - 1)
    end = min(len(at), int(np.searchsorted(at, last, side="right")) + 1)
    times, shown = at[begin:end], values[begin:end]
    if len(times) <= 2 * columns:
        return _broken(times, shown)
    width = (last - first) / columns
    column = np.floor((times - first) / width)
    begins = np.flatnonzero(np.concatenate(([True], column[1:] != column[:-1])))
    low, high = np.fmin.reduceat(shown, begins), np.fmax.reduceat(shown, begins)
    middle = first + (column[begins] + 0.5) * width
    lows_first = np.column_stack((low, high)).ravel()
    return _broken(np.repeat(middle, 2), lows_first, SECONDS_WITHOUT_BREAK + width)


def _broken(times: FloatArray, values: FloatArray, most: float = SECONDS_WITHOUT_BREAK) -> tuple[FloatArray, ...]:
    """The same with a NaN in every hole of more than ``most`` seconds."""
    holes = np.flatnonzero(np.diff(times) > most) + 1
    return np.insert(times, holes, times[holes - 1]), np.insert(values, holes, np.nan)


def limits(values: FloatArray, least_span: float, most_span: float) -> tuple[float, float] | None:
    """Lower and upper end of an axis that holds all values but the lowest hundredth; None where there is no number.

    The ends are ``least_span`` apart at least, and ``most_span`` at most. Values that are never negative begin at 0.
    """
    known = values[np.isfinite(values)]
    if not known.size:
        return None
    high = float(known.max())
    low = max(float(np.quantile(known, LEFT_OUT_SHARE)), high - most_span)
    room = max(least_span - (high - low), 0.0) / 2.0 + MARGIN_SHARE * max(high - low, least_span)
    least = 0.0 if known.min() >= 0.0 else -math.inf
    return max(least, low - room), high + room
