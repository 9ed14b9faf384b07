"""Does a tempo fit the onsets: how closely they lie on a grid of beats or of equal parts of a beat.

Closeness is the mean resultant length of the onsets' phases on the grid (circular statistics): 1 when all lie at one
place of it, about 1 / sqrt(n) for n onsets anywhere. Limits are judgement (no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.core.types import FloatArray

PARTS_OF_BEAT = (1, 2, 3, 4)
"""Beats, eighths, triplets and sixteenths."""
ONSETS_NEEDED = 12
FITS = 0.5
"""From this closeness on a grid a tempo fits: an even scatter over more than half of a step does not reach it."""
CLEAR = 0.7
"""Another tempo is named only when the onsets lie this close on a grid of its own."""
SEARCHED_SHARE = 0.08
"""Other tempos are looked for within 8 %: further away it is another reading of the same music."""
SEARCH_STEP_BPM = 0.1


@dataclass(frozen=True)
class TempoFit:
    """``fits`` is False only with enough onsets; ``better_bpm`` is then a tempo that fits, or NaN."""

    fits: bool
    better_bpm: float = float("nan")


def tempo_fit(onsets: FloatArray, tempo_bpm: float) -> TempoFit:
    """Judge ``tempo_bpm`` by ``onsets`` ``(n,)`` in seconds; with fewer than 12, or 4 beats of them, it stands."""
    beat_seconds = 60.0 / tempo_bpm
    if len(onsets) < ONSETS_NEEDED or np.ptp(onsets) < 4.0 * beat_seconds:
        return TempoFit(fits=True)
    here = closeness(onsets, np.array([tempo_bpm]))[:, 0]
    steps = int(SEARCHED_SHARE * tempo_bpm / SEARCH_STEP_BPM)
    tempos: FloatArray = tempo_bpm + SEARCH_STEP_BPM * np.arange(-steps, steps + 1, dtype=np.float64)
    others = closeness(onsets, tempos)
    best = others.max(axis=1)
    # The finest grid on which some tempo is clear decides: there a small error of tempo shows.
    for row in range(len(PARTS_OF_BEAT) - 1, -1, -1):
        if best[row] >= CLEAR:
            if here[row] >= FITS:
                return TempoFit(fits=True)
            return TempoFit(fits=False, better_bpm=float(tempos[others[row].argmax()]))
    return TempoFit(fits=bool(here.max() >= FITS))


def closeness(onsets: FloatArray, tempos_bpm: FloatArray) -> FloatArray:
    """Mean resultant length ``(parts of a beat, tempos)`` of onsets on the grid of each tempo, 0 to 1."""
    beats = onsets[:, None] * (tempos_bpm / 60.0)
    return np.stack([np.abs(np.exp(2j * np.pi * parts * beats).mean(axis=0)) for parts in PARTS_OF_BEAT])
