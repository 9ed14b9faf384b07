"""What a stage does at onsets: how much the kick steers it, and how much the attack gains.

Arrays run over ticks of 10 ms; NaN marks gaps. Definitions are common practice, no source; thresholds are judgement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray
from dsp.lowend.onsets import rises
from dsp.stage.stage_stream import BAND_EDGES_HZ

LOW_BANDS = slice(1, 3)
"""25 to 125 Hz: where a kick begins."""
COMPARED_TICKS, APART_TICKS = 3, 10
LEAST_ONSETS = 4
LEAST_OF_ALL = 1e-5
"""A band 50 dB under all of them at its loudest holds only what leaks from others."""
BEFORE_TICKS, AFTER_TICKS = 5, 15
"""50 ms before an onset against 150 ms after it."""
ATTACK_TICKS = 5
SURE = 2.5
"""A dip of fewer standard errors than this is none."""


@dataclass(frozen=True)
class Attack:
    """Change, after less before, of the peak of a band at onsets, in dB: re the whole sound, and re the band itself.

    ``crest_db`` is 0 for a stage that is linear. NaN with fewer than four onsets.
    """

    attack_db: float
    crest_db: float


NO_ATTACK = Attack(np.nan, np.nan)


def onset_ticks(bands: FloatArray, inside: slice) -> NDArray[np.intp]:
    """Ticks ``(onsets,)`` at which the power in some of the bands ``(ticks, bands)`` clearly rises.

    What is known and loud enough re all bands counts.
    """
    power, known = bands[:, inside].sum(axis=1), np.isfinite(bands[:, 0])
    top = float(power[known].max(initial=0.0))
    if top <= LEAST_OF_ALL * float(bands[known].sum(axis=1).max(initial=0.0)):
        return np.empty(0, dtype=np.intp)
    found = rises(np.where(known, power, 0.0) / top, COMPARED_TICKS, APART_TICKS)
    whole = found[(found > BEFORE_TICKS) & (found + AFTER_TICKS <= len(power))]
    spans = whole[:, None] + np.arange(-BEFORE_TICKS - 1, AFTER_TICKS)
    return np.asarray(whole[known[spans].all(axis=1)], dtype=np.intp)


def kick_dip_db(held_db: FloatArray, before_bands: FloatArray) -> float:
    """How much further the sound is held down after a low onset than before it, on average, at the deepest moment.

    ``held_db`` is ``(ticks,)``, NaN where it does not count; ``before_bands`` ``(ticks, bands)``. 0 where the dips do
    not stand out from other moves of the gain; NaN with fewer than four onsets.
    """
    starts = onset_ticks(before_bands, LOW_BANDS)
    # Bands are read over two ticks: an onset may show one tick early.
    first = held_db[starts[:, None] + np.arange(-BEFORE_TICKS - 1, -1)]
    starts, first = starts[np.isfinite(first).all(axis=1)], first[np.isfinite(first).all(axis=1)]
    if len(starts) < LEAST_ONSETS:
        return float("nan")
    dips = held_db[starts[:, None] + np.arange(AFTER_TICKS)] - first.mean(axis=1, keepdims=True)
    counts = np.isfinite(dips).sum(axis=0)
    dips = dips[:, counts >= LEAST_ONSETS]
    if not dips.shape[1]:
        return float("nan")
    means = np.nanmean(dips, axis=0)
    deepest = int(np.argmax(means))
    error = float(np.nanstd(dips[:, deepest])) / np.sqrt(float(np.isfinite(dips[:, deepest]).sum()))
    return max(0.0, float(means[deepest])) if means[deepest] > SURE * error else 0.0


def attack_change(bands: FloatArray, low_hz: float, high_hz: float) -> Attack:
    """Of the band from ``low_hz`` to ``high_hz``, in powers of both sides ``(2, ticks, bands)``.

    The attack is the highest tick within 50 ms of an onset of the band, or of the whole sound where the band has too
    few; the change is the median over the onsets.
    """
    edges = np.asarray(BAND_EDGES_HZ)
    inside = slice(*np.clip(np.searchsorted(edges, (low_hz, high_hz)) - (1, 0), 1, len(edges)))
    # Without the lowest band, which an offset fills.
    band, whole = bands[:, :, inside].sum(axis=2), bands[:, :, 1:].sum(axis=2)
    starts = onset_ticks(bands[0], inside)
    if len(starts) < LEAST_ONSETS:
        starts = onset_ticks(bands[0], slice(1, None))
    if len(starts) < LEAST_ONSETS:
        return NO_ATTACK
    peaks = band[:, starts[:, None] + np.arange(ATTACK_TICKS)].max(axis=2)
    if not (peaks > 0.0).all():
        return NO_ATTACK
    change_db = float(np.median(10.0 * np.log10(peaks[1] / peaks[0])))
    return Attack(change_db - _mean_change_db(whole), change_db - _mean_change_db(band))


def _mean_change_db(power: FloatArray) -> float:
    before, after = np.nanmean(power, axis=1)
    return float(10.0 * np.log10(after / before))
