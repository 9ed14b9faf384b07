"""Receipt of what was changed between two spans of listening, from their figures since the mark.

The figures go by the name of their field, whichever meter has it: ``integrated_mark``, ``true_max_mark``,
``to_loudness_mark``, and ``third_octave_mark.0`` to ``.30`` from 20 Hz to 20 kHz.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from dsp.core.types import FloatArray
from dsp.stage.rest_level import ALIKE_DB, half_gain_reach, rest_db
from meter.stage.findings import ReceiptFindings

Figures = Mapping[str, float]

THIRDS = 31
MID_HZ = 1000.0 * 10.0 ** ((np.arange(THIRDS) - 17) / 10.0)
"""Exact mid-bands of third octaves (IEC 61260-1, base ten)."""
HALF_THIRD = 10.0**0.05
LEAST_THIRDS = 12
LEAST_BOOST_DB = 2.0
"""Two takes of the same bars differ by less than this in a third octave (judgement)."""
HEARD_BELOW_DB = 60.0
LEAST_ALIKE = 0.4
"""Of the third octaves, so many change alike where the same bars played (judgement: other bars of the demo's song
share at most a third)."""
LOW_HZ = 120.0


def span_receipt(first: Figures, second: Figures) -> ReceiptFindings:
    """What the second span bought and paid against the first, if both played the same bars.

    NaN for what one of them lacks. What needs both sounds at once, attack and levels, is NaN.
    """
    before, after = _thirds(first), _thirds(second)
    low_hz, high_hz, boost_db = _boost(before, after)
    return ReceiptFindings(
        loudness_lu=_change(first, second, "integrated_mark"),
        band_db=boost_db,
        band_low_hz=low_hz,
        band_high_hz=high_hz,
        headroom_db=-_change(first, second, "true_max_mark"),
        peak_to_loudness_lu=_change(first, second, "to_loudness_mark"),
        low_share_before_percent=_low_share(before),
        low_share_after_percent=_low_share(after),
    )


def same_bars(first: Figures, second: Figures) -> bool:
    """Whether both may have played the same bars: most of the spectrum changed by one amount."""
    changes, _ = _changes(_thirds(first), _thirds(second))
    if len(changes) < LEAST_THIRDS:
        return False
    return bool((np.abs(changes - rest_db(changes)) <= ALIKE_DB).mean() >= LEAST_ALIKE)


def _change(first: Figures, second: Figures, key: str) -> float:
    values = [each.get(key, math.nan) for each in (first, second)]
    return values[1] - values[0] if all(map(math.isfinite, values)) else math.nan


def _thirds(figures: Figures) -> FloatArray:
    """Levels of the third octaves in dB, NaN where they are not known."""
    return np.array([figures.get(f"third_octave_mark.{number}", math.nan) for number in range(THIRDS)])


def _boost(before_db: FloatArray, after_db: FloatArray) -> tuple[float, float, float]:
    """Edges and amount of the highest boost re the rest; NaN without one of 2 dB."""
    changes, hz = _changes(before_db, after_db)
    if len(changes) < LEAST_THIRDS:
        return math.nan, math.nan, math.nan
    boost_db = changes - rest_db(changes)
    top = int(np.argmax(boost_db))
    if boost_db[top] < LEAST_BOOST_DB:
        return math.nan, math.nan, math.nan
    first, last = half_gain_reach(boost_db, top)
    return float(hz[first]) / HALF_THIRD, float(hz[last]) * HALF_THIRD, float(boost_db[top])


def _changes(before_db: FloatArray, after_db: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Changes of the third octaves that are heard, and their frequencies."""
    known = np.isfinite(before_db) & np.isfinite(after_db)
    known[known] = before_db[known] > before_db[known].max(initial=-math.inf) - HEARD_BELOW_DB
    return (after_db - before_db)[known], MID_HZ[known]


def _low_share(levels_db: FloatArray) -> float:
    """Percent of the power in third octaves up to 120 Hz; NaN without sound."""
    power = np.where(np.isfinite(levels_db), 10.0 ** (levels_db / 10.0), 0.0)
    total = float(power.sum())
    return 100.0 * float(power[MID_HZ < LOW_HZ].sum()) / total if total > 0.0 else math.nan
