"""How long ago the newest seconds of a wave played before: lags at which it repeats, exact to a sample."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from dsp.core.types import FloatArray
from dsp.passages.repeat_stream import COARSER

Wave = NDArray[np.float32]

QUERY_SECONDS = 6.0
SHORTEST_SECONDS = 4.0
"""A shorter loop is compared over several of its turns."""
LEAST_CORRELATION = 0.35
"""Of a candidate; a stage that is switched to another latency splits it in two. ``repeats`` judges whether it is the
same sound."""
NEAR_BEST = 0.8
"""Share of the strongest correlation from which a lag may be the loop."""
MOST_REPEATS = 4
MOST_PARTS = 5
SPREAD = 0.01
"""How far a turn may be from the others, as a share."""
SEARCH_HZ = (80.0, 1500.0)
AROUND = 8
"""Samples either side of a coarse lag at which it is refined."""


def loop_lags(wave: Wave, coarse: Wave, rate_hz: float) -> list[list[int]]:
    """Possible loops, the shortest first: for each its lags in samples, at most ``MOST_REPEATS``, a turn apart.

    ``wave`` is ``(n,)`` at ``rate_hz``, ``coarse`` the same at a ``COARSER``-th of the rate; lost sound is 0. Empty
    where the newest ``QUERY_SECONDS`` are not found again. The last loop is the one whose wave is found best; the
    others are parts of it, at which a stage of other latency may hide the repeat.
    """
    query, shortest = round(QUERY_SECONDS * rate_hz), round(SHORTEST_SECONDS * rate_hz)
    first = shortest // COARSER - 2
    if len(wave) < query + shortest:
        return []
    likeness = _correlations(coarse, query // COARSER, rate_hz / COARSER)
    peaks = _peaks(likeness, first)
    if not len(peaks):
        return []
    best = int(peaks[likeness[peaks] >= NEAR_BEST * float(likeness[peaks].max())][0])
    parts = (_strongest(peaks, likeness, best / count) for count in range(MOST_PARTS, 1, -1))
    turns = [part for part in parts if part] + [best]
    found = ([_refined(wave, query, lag * COARSER) for lag in _turns(peaks, likeness, turn)] for turn in turns)
    return [[lag for lag in lags if lag] for lags in found if lags[0]]


def _turns(peaks: NDArray[np.intp], likeness: FloatArray, turn: int) -> list[int]:
    """The lag ``turn`` and those that are each a turn longer; later ones as good where a turn is not found again."""
    good = peaks[likeness[peaks] >= NEAR_BEST * float(likeness[peaks].max())]
    lags = [turn]
    while len(lags) < MOST_REPEATS:
        later = good[good > lags[-1] + (1.0 + SPREAD) * turn]
        lag = _strongest(peaks, likeness, lags[-1] + turn) or (int(later[0]) if len(later) else 0)
        if not lag:
            break
        lags.append(lag)
    return lags


def _strongest(peaks: NDArray[np.intp], likeness: FloatArray, near: float) -> int:
    """The strongest peak near a lag; 0 for none."""
    there = peaks[np.abs(peaks - near) <= SPREAD * near]
    return int(there[np.argmax(likeness[there])]) if len(there) else 0


def _correlations(wave: Wave, query: int, rate_hz: float) -> FloatArray:
    """Correlation coefficients of the newest ``query`` samples with those ``n`` samples earlier.

    Both are differentiated within ``SEARCH_HZ``: most power of music is in its lows, which are alike in many bars.
    """
    size = next_fast_len(len(wave) + query, real=True)
    hz = rfftfreq(size, 1.0 / rate_hz)
    weights = np.where((hz >= SEARCH_HZ[0]) & (hz < SEARCH_HZ[1]), hz / SEARCH_HZ[1], 0.0).astype(np.float32)
    past = rfft(wave, size) * weights
    products = irfft(past * np.conj(rfft(wave[-query:], size)) * weights, size)
    sums = np.concatenate([[0.0], np.cumsum(irfft(past, size).astype(np.float64) ** 2)])
    starts = np.arange(len(wave) - query, -1, -1)
    energies = sums[starts + query] - sums[starts]
    newest = max(float(energies[0]), 1e-20)
    return np.asarray(products[starts] / np.sqrt(np.maximum(energies, 1e-6 * newest) * newest))


def _peaks(likeness: FloatArray, first: int) -> NDArray[np.intp]:
    """Lags from ``first`` on at which it is highest among its neighbours."""
    inner = likeness[1:-1]
    tops = np.flatnonzero((inner >= likeness[:-2]) & (inner > likeness[2:]) & (inner >= LEAST_CORRELATION)) + 1
    return np.asarray(tops[tops >= first])


def _refined(wave: Wave, query: int, lag: int) -> int:
    """The lag near ``lag`` with the strongest correlation; 0 where the wave does not reach that far."""
    newest = wave[-query:]
    lags = range(max(1, lag - AROUND), min(lag + AROUND, len(wave) - query) + 1)
    products = [abs(float(newest @ wave[len(wave) - query - each : len(wave) - each])) for each in lags]
    return lags[int(np.argmax(products))] if products else 0
