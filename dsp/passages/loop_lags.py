"""How long ago the newest seconds of a wave played before: lags at which it repeats, exact to a sample."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

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
AROUND = 8
"""Samples either side of a coarse lag at which it is refined."""


def loop_lags(coarse: Wave, rate_hz: float) -> list[list[int]]:
    """Possible loops, the shortest first: for each its lags in samples, at most ``MOST_REPEATS``, a turn apart.

    ``coarse`` is ``(n,)``, lost sound as 0. Empty where the newest ``QUERY_SECONDS`` are not found again. The last
    loop is the one whose wave is found best; the others are parts of it, at which a stage of other latency may hide
    the repeat.
    """
    query, shortest = round(QUERY_SECONDS * rate_hz), round(SHORTEST_SECONDS * rate_hz)
    if len(coarse) < query + shortest:
        return []
    likeness = _correlations(coarse, query)
    peaks = _peaks(likeness, shortest - 2)
    if not len(peaks):
        return []
    best = int(peaks[likeness[peaks] >= NEAR_BEST * float(likeness[peaks].max())][0])
    parts = (_strongest(peaks, likeness, best / count) for count in range(MOST_PARTS, 1, -1))
    return [_turns(peaks, likeness, turn) for turn in (*parts, best) if turn]


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


def _correlations(wave: Wave, query: int) -> FloatArray:
    """Correlation coefficients of the newest ``query`` samples with those ``n`` samples earlier.

    Differences of samples are correlated: most power of music is in its lows, which are alike in many bars.
    """
    steps = np.diff(wave, prepend=wave[:1])
    size = next_fast_len(len(steps) + query, real=True)
    past = rfft(steps, size)
    past *= np.conj(rfft(steps[-query:], size))
    products = irfft(past, size)
    sums = np.concatenate([[0.0], np.cumsum(steps * steps, dtype=np.float64)])
    energies = (sums[query:] - sums[: len(sums) - query])[::-1]
    newest = max(float(energies[0]), 1e-20)
    return np.asarray(products[len(wave) - query :: -1] / np.sqrt(np.maximum(energies, 1e-6 * newest) * newest))


def _peaks(likeness: FloatArray, first: int) -> NDArray[np.intp]:
    """Lags from ``first`` on at which it is highest among its neighbours."""
    inner = likeness[1:-1]
    tops = np.flatnonzero((inner >= likeness[:-2]) & (inner > likeness[2:]) & (inner >= LEAST_CORRELATION)) + 1
    return np.asarray(tops[tops >= first])


def refined_lags(wave: Wave, rate_hz: float, coarse_lags: Sequence[int]) -> list[int]:
    """Lags of ``wave`` near those of the coarse one, exact to a sample.

    Those that the wave does not reach are left out.
    """
    query = min(round(QUERY_SECONDS * rate_hz), len(wave))
    newest, found = wave[-query:], []
    for lag in (each * COARSER for each in coarse_lags):
        lags = range(max(1, lag - AROUND), min(lag + AROUND, len(wave) - query) + 1)
        products = [abs(float(newest @ wave[len(wave) - query - each : len(wave) - each])) for each in lags]
        found += [lags[int(np.argmax(products))]] if products else []
    return found
