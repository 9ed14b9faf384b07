"""Whether the notes of two parts begin together more often than by chance, and how far apart they begin.

Times are onsets in seconds. Notes of two independent parts also start within 30 ms of each other by chance: a note of
one has a note of the other in that window with the probability rate times width, 0.54 at nine notes a second. Notes
start together only if the binomial distribution with that probability gives the count less than once in 10,000 times.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import bdtrc

from dsp.core.types import FloatArray
from dsp.lowend.onsets import APART_SECONDS

COINCIDENCE_SECONDS = 0.03
"""Half the width of the window in which two notes begin together."""
NARROW_SECONDS = 0.01
"""Half the width in which gaps gather round the commonest one of two parts that are played in step (judgement)."""
LONGEST_GAP_SECONDS = APART_SECONDS
"""A gap is looked for within this: notes of one part are never closer, so it tells which note belongs to which."""
CHANCE = 1e-4
"""What chance would give less often than this is not chance (judgement)."""
GAPS_TRIED = 24.0
"""Windows of the narrow width that fit the gaps looked at, eight, times three: a sliding window finds the best of
more places than those that only touch."""
NEIGHBOURHOOD_SECONDS = 1.0
"""The rate of notes is counted this far to each side of a note, so that rests are no part of it."""
UNIFORM_SPREAD_MS = 0.8 * 2.0 * 1000.0 * COINCIDENCE_SECONDS
"""From the 10th to the 90th percentile of gaps that fall anywhere in the window: 48 ms."""
STEADY_SHARE = 0.5
"""A gap is stated where its spread is at most this share of what chance gives (judgement)."""


@dataclass(frozen=True)
class Together:
    """``count`` notes begin within 30 ms of each other, where chance alone would give about ``by_chance``.

    ``matches`` ``(n, 2)`` are the notes that begin in step, at or round a constant gap of up to 80 ms; empty where
    they are no more than by chance.
    """

    count: int
    by_chance: float
    matches: FloatArray

    @property
    def gap_ms(self) -> float:
        """Median gap of ``matches``, second minus first; NaN where there are none or the gaps are spread out."""
        return self.middle_ms if self.spread_ms <= STEADY_SHARE * UNIFORM_SPREAD_MS else float("nan")

    @property
    def middle_ms(self) -> float:
        """The same however the gaps are spread; NaN without any."""
        return float(np.median(self._gaps_ms)) if len(self.matches) else float("nan")

    @property
    def spread_ms(self) -> float:
        """From the 10th to the 90th percentile of those gaps; NaN without any."""
        if not len(self.matches):
            return float("nan")
        low, high = np.percentile(self._gaps_ms, [10, 90])
        return float(high - low)

    @property
    def _gaps_ms(self) -> FloatArray:
        return np.asarray(1000.0 * (self.matches[:, 1] - self.matches[:, 0]))


def together(first: FloatArray, second: FloatArray, seconds: float) -> Together:
    """Compare the onsets of two parts over the same stretch of so many seconds."""
    at_once = coincidences(first, second)
    fewest = min(len(first), len(second))
    rate_hz = _rate_near(first, second, seconds)
    chance = 2.0 * COINCIDENCE_SECONDS * rate_hz
    gap = _commonest_gap(first, second)
    in_step = coincidences(first + gap, second)
    near = int(np.count_nonzero(np.abs(in_step[:, 1] - in_step[:, 0]) <= NARROW_SECONDS))
    if not _is_chance(near, fewest, 2.0 * NARROW_SECONDS * rate_hz, GAPS_TRIED):
        matches = in_step - np.array([gap, 0.0])
    elif not _is_chance(len(at_once), fewest, chance, 1.0):
        matches = at_once
    else:
        matches = np.empty((0, 2))
    return Together(len(at_once), fewest * min(chance, 1.0), matches)


def coincidences(first: FloatArray, second: FloatArray) -> FloatArray:
    """Pairs of onset times ``(n, 2)`` within 30 ms of each other, each onset used once, nearest first."""
    if not len(first) or not len(second):
        return np.empty((0, 2))
    nearest = np.abs(first[:, None] - second[None, :])
    mutual = [
        (first[row], second[column])
        for row, column in enumerate(nearest.argmin(axis=1))
        if nearest[:, column].argmin() == row and nearest[row, column] <= COINCIDENCE_SECONDS
    ]
    return np.array(mutual).reshape(-1, 2)


def _is_chance(count: int, of: int, probability: float, tried: float) -> bool:
    """Whether so many of so many notes or more could well find a partner by chance, in one of the places tried."""
    if not count:
        return True
    return bool(tried * bdtrc(count - 1, of, min(probability, 1.0)) >= CHANCE)


def _rate_near(first: FloatArray, second: FloatArray, seconds: float) -> float:
    """Notes a second of the part with more of them, near the notes of the other; 0 without any."""
    few, many = (first, second) if len(first) <= len(second) else (second, first)
    if not len(few):
        return 0.0
    begin, end = np.maximum(few - NEIGHBOURHOOD_SECONDS, 0.0), np.minimum(few + NEIGHBOURHOOD_SECONDS, seconds)
    counts = np.searchsorted(many, end, side="right") - np.searchsorted(many, begin, side="left")
    return float(np.mean(counts / np.maximum(end - begin, NEIGHBOURHOOD_SECONDS)))


def _commonest_gap(first: FloatArray, second: FloatArray) -> float:
    """The gap, within 80 ms either way, round which most of the gaps lie; of equals the least. 0 without any."""
    gaps = (second[None, :] - first[:, None]).ravel()
    gaps = np.sort(gaps[np.abs(gaps) <= LONGEST_GAP_SECONDS])
    if not len(gaps):
        return 0.0
    near = np.searchsorted(gaps, gaps + NARROW_SECONDS, "right") - np.searchsorted(gaps, gaps - NARROW_SECONDS)
    most = gaps[near == near.max()]
    centre = most[np.argmin(np.abs(most))]
    return float(np.median(gaps[np.abs(gaps - centre) <= NARROW_SECONDS]))
