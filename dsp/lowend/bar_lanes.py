"""Two low parts over one bar: how loud each is at each moment, folded from several bars.

Levels are the root of the mean power of the low band (``dsp.lowend.onsets.low_band``), in equal columns of time.
"""

from __future__ import annotations

import numpy as np

from dsp.core.types import FloatArray
from dsp.lowend.onsets import low_band

BARS = 8
BEATS_IN_BAR = 4
SAME_PLACE_SECONDS = 0.04
AFTER_HIT_SECONDS = 1.0
"""Without a tempo there is no bar: what is folded then is this long after each hit."""


def bar_seconds(tempo_bpm: float) -> float:
    """Length of a bar of four beats. Raises ValueError for a tempo that is not a positive number."""
    if not (np.isfinite(tempo_bpm) and tempo_bpm > 0.0):
        raise ValueError(f"A tempo of {tempo_bpm:g} beats per minute has no bars.")
    return 60.0 * BEATS_IN_BAR / tempo_bpm


def bar_starts(
    hits: FloatArray, period_seconds: float, end_seconds: float, before: float = float("nan")
) -> FloatArray:
    """Starts of the last whole bars up to ``end_seconds``, where most bars have a hit; empty without hits.

    ``before`` is a start that was used earlier: it is kept while half of the bars have a hit there.
    """
    recent = hits[hits >= end_seconds - BARS * period_seconds]
    if not len(recent):
        return np.empty(0)
    bars = min(BARS, int(end_seconds / period_seconds))
    place = before
    if not np.isfinite(before) or 2 * _hits_at(recent, before, period_seconds) < bars:
        place = float(recent[np.argmax([_hits_at(recent, hit, period_seconds) for hit in recent])])
    last = place + np.floor((end_seconds - period_seconds - place) / period_seconds) * period_seconds
    starts = last - period_seconds * np.arange(BARS)[::-1]
    return np.asarray(starts[starts >= -SAME_PLACE_SECONDS])


def _hits_at(hits: FloatArray, place: float, period_seconds: float) -> int:
    away = (hits - place + 0.5 * period_seconds) % period_seconds - 0.5 * period_seconds
    return int(np.count_nonzero(np.abs(away) <= SAME_PLACE_SECONDS))


def folded(signal: FloatArray, rate_hz: float, starts: FloatArray, seconds: float, columns: int) -> FloatArray:
    """Mean low-band amplitude in ``columns`` equal stretches after each start, ``(columns,)``; NaN without starts.

    ``signal`` is ``(frames, channels)``; starts are seconds from its first frame. What is not there does not count.
    """
    if not len(starts) or not len(signal):
        return np.full(columns, np.nan)
    band, band_rate_hz = low_band(signal, rate_hz)
    running = np.concatenate([[0.0], np.cumsum((band**2).mean(axis=1))])
    edges = np.rint((starts[:, None] + np.linspace(0.0, seconds, columns + 1)) * band_rate_hz).astype(int)
    inside = (edges[:, :-1] >= 0) & (edges[:, 1:] < len(running)) & (edges[:, 1:] > edges[:, :-1])
    edges = np.clip(edges, 0, len(running) - 1)
    sums = np.where(inside, np.maximum(running[edges[:, 1:]] - running[edges[:, :-1]], 0.0), 0.0).sum(axis=0)
    frames = np.where(inside, edges[:, 1:] - edges[:, :-1], 0).sum(axis=0)
    return np.asarray(np.sqrt(np.divide(sums, frames, out=np.full(columns, np.nan), where=frames > 0)))
