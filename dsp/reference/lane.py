"""A mix against several references: differences from their median, and the lane their own spread makes.

Before the bands are compared each reference is matched in level: by the median of the level differences of the bands,
weighted with their share of the K-weighted power. For equal spectra that is the difference in loudness; a band that
stands out does not move the others, as it would with the difference in loudness itself.
"""

from __future__ import annotations

import itertools
import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dsp.core.scipy_signal import sosfreqz
from dsp.core.types import FloatArray
from dsp.loudness.k_weighting import TABLE_RATE_HZ, k_weighting_sos
from dsp.reference.account import Account
from dsp.reference.sections import BANDS

LANE_PERCENTILES = (10.0, 90.0)

TONE, WIDTH, PEAK_TO_LOUDNESS, LOWS, RANGE = "tone", "width", "peak to loudness", "lows", "loudness range"
MARGINS = {TONE: 1.0, WIDTH: 2.0, PEAK_TO_LOUDNESS: 1.0, LOWS: 1.0, RANGE: 2.0}
"""How far beyond the lane a figure must lie to be told, dB or LU (judgement: phrases of one mix differ by less)."""
FEW = 3
FEW_FACTOR = 2.0
"""One or two references have no spread to speak of: the margins are doubled."""


@dataclass(frozen=True)
class Lane:
    """A figure of the mix, or one of each band, against the references; ``(n,)`` each, NaN where not comparable.

    ``difference`` is mix less median of the references; ``low`` and ``high`` are their 10th and 90th percentile, also
    re the median. ``count`` is the number of references with a figure.
    """

    difference: FloatArray
    low: FloatArray
    high: FloatArray
    count: FloatArray

    @property
    def beyond(self) -> FloatArray:
        """How far the mix lies above (positive) or below (negative) the lane; 0 inside, NaN where not comparable."""
        above, below = self.difference - self.high, self.difference - self.low
        outside = np.where(above > 0.0, above, np.where(below < 0.0, below, 0.0))
        return np.asarray(np.where(np.isnan(self.difference), np.nan, outside))


@dataclass(frozen=True)
class Comparison:
    """Tone and width by band, and single figures, as lanes; ``match_db`` is the gain in dB that makes each reference
    as loud as the mix."""

    tone: Lane
    width: Lane
    peak_to_loudness: Lane
    lows: Lane
    loudness_range: Lane
    match_db: tuple[float, ...]


@dataclass(frozen=True)
class Outside:
    """Something that lies outside the lane: its kind, and for tone and width its bands from ``first`` to ``last``.

    ``difference`` is that from the median, in dB or LU: the mean over the bands.
    """

    kind: str
    difference: float
    beyond: float
    first: int = -1
    last: int = -1


def compare(
    mix: Account, references: Sequence[Account], ranges_lu: tuple[float, Sequence[float]] | None = None
) -> Comparison:
    """Compare one mix with one or more references. Raises ValueError for none.

    ``ranges_lu`` is the loudness range of the whole mix and of each whole reference, NaN where it is not known.
    """
    if not references:
        raise ValueError("A lane needs at least one reference.")
    tones = np.stack([each.tone_db + level_match_db(mix, each) for each in references])
    return Comparison(
        tone=lane_of(mix.tone_db, tones),
        width=lane_of(mix.width_db, np.stack([each.width_db for each in references])),
        peak_to_loudness=_single(mix.peak_to_loudness_lu, [each.peak_to_loudness_lu for each in references]),
        lows=_single(mix.lows_db, [each.lows_db for each in references]),
        loudness_range=_single(*(ranges_lu or (np.nan, [np.nan] * len(references)))),
        match_db=tuple(mix.loudness_lufs - each.loudness_lufs for each in references),
    )


def level_match_db(mix: Account, reference: Account) -> float:
    """Gain in dB for the bands of a reference; see the module's description. NaN without a common band."""
    common = np.isfinite(mix.tone_db) & np.isfinite(reference.tone_db)
    if not common.any():
        return float("nan")
    levels = mix.tone_db[common], reference.tone_db[common]
    shares = [10.0 ** ((level + K_GAIN_DB[common]) / 10.0) for level in levels]
    weights = sum(share / share.sum() for share in shares)
    differences = levels[0] - levels[1]
    order = np.argsort(differences)
    passed = np.cumsum(weights[order]) / 2.0
    return float(differences[order][np.searchsorted(passed, 0.5)])


def lane_of(mix: FloatArray, references: FloatArray) -> Lane:
    """The lane of figures ``(n,)`` against those of the references ``(count, n)``."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a band that no reference has is NaN
        median = np.nanmedian(references, axis=0)
        low, high = np.nanpercentile(references, LANE_PERCENTILES, axis=0) - median
    return Lane(mix - median, low, high, np.isfinite(references).sum(axis=0).astype(np.float64))


def _single(mix: float, references: Sequence[float]) -> Lane:
    return lane_of(np.array([mix]), np.array(references)[:, None])


def outside(found: Comparison) -> list[Outside]:
    """All that lies outside by its margin, the farthest (in margins) first; neighbouring bands are one.

    Lows are left out where a band below 125 Hz tells of them.
    """
    told = [*_runs(TONE, found.tone), *_runs(WIDTH, found.width)]
    told += [*_one(PEAK_TO_LOUDNESS, found.peak_to_loudness), *_one(RANGE, found.loudness_range)]
    if not any(each.kind == TONE and BANDS[each.first].high_hz < LOWS_UNTIL_HZ for each in told):
        told += _one(LOWS, found.lows)
    return sorted(told, key=lambda each: -abs(each.beyond) / MARGINS[each.kind])


LOWS_UNTIL_HZ = 130.0


def _far(kind: str, lane: Lane) -> FloatArray:
    """-1, 0 or 1: below, inside or above the lane by the margin."""
    margin = np.where(lane.count < FEW, FEW_FACTOR * MARGINS[kind], MARGINS[kind])
    beyond = np.nan_to_num(lane.beyond)
    return np.asarray(np.where(np.abs(beyond) >= margin, np.sign(beyond), 0.0))


def _runs(kind: str, lane: Lane) -> list[Outside]:
    far = _far(kind, lane)
    edges = [0, *(np.flatnonzero(np.diff(far)) + 1).tolist(), len(far)]
    runs = [(first, after - 1) for first, after in itertools.pairwise(edges) if far[first]]
    return [
        Outside(
            kind,
            float(lane.difference[first : last + 1].mean()),
            float(far[first] * np.abs(lane.beyond[first : last + 1]).max()),
            first,
            last,
        )
        for first, last in runs
    ]


def _one(kind: str, lane: Lane) -> list[Outside]:
    return [Outside(kind, float(lane.difference[0]), float(lane.beyond[0]))] if _far(kind, lane)[0] else []


def _k_gain_db() -> FloatArray:
    middles = np.array([item.mid_hz for item in BANDS])
    _, response = sosfreqz(k_weighting_sos(TABLE_RATE_HZ), middles, fs=TABLE_RATE_HZ)
    return np.asarray(20.0 * np.log10(np.abs(response)))


K_GAIN_DB = _k_gain_db()
"""Gain of K-weighting at the middle of each band."""
