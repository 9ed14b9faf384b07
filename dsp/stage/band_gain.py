"""Gain of a stage band by band: its response is told from its squeeze, and squeeze that differs between bands.

All arrays of bands are powers ``(2, ticks, bands)``, before and after, as in ``stage_stream``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray
from dsp.stage.stage_stream import BAND_EDGES_HZ, OCTAVE_STARTS

FLAT_DB = 0.5
"""Octaves whose gains lie this near their middle need no whitening (judgement)."""
BAND_DEPENDENT_DB = 2.0
HEARD_BELOW_DB = 20.0
"""Bands this far under the loudest of their moment do not count (judgement)."""
SLOPING_DB = 3.0
TELLS_BELOW_DB = 40.0
"""Weaker bands still tell the response: a bass may be far above all else (judgement)."""
LEAST_TICKS = 50
RESOLVED_HZ = 175.0
"""Lower bands are not resolved within 20 ms."""
NARROW_BANDS, REACH_BANDS, APART_DB = 15, 3, 1.5
"""Bins of 50 Hz, how far one reaches with a Hann window of 20 ms, and a response that is another one (judgement)."""


def band_responses(bands: FloatArray) -> FloatArray:
    """Usual gain of each band in dB re the middle band of the same moments; NaN where it is seldom heard.

    At one moment a stage that is not band-dependent holds all bands down alike, so what differs is its response. The
    gain of the whole would not do for a reference: behind a high-pass it moves with every note of the bass.
    """
    gains = _gains(bands, TELLS_BELOW_DB)
    apart = gains - _middle(gains)[:, None]
    counts = np.isfinite(apart).sum(axis=0)
    found = np.full(bands.shape[2], np.nan)
    enough = counts >= LEAST_TICKS
    found[enough] = np.nanmedian(apart[:, enough], axis=0)
    return found


def is_flat(bands: FloatArray) -> bool:
    """Whether all octaves come through alike."""
    octaves = band_responses(in_octaves(bands))
    known = octaves[np.isfinite(octaves)]
    return bool(not len(known) or np.ptp(known) <= 2.0 * FLAT_DB)


def whitened(bands: FloatArray, counted: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Powers ``(ticks,)`` that would come out with a gain of 1, and that came out, over the bands that are resolved.

    The response is that of the ``counted`` ticks.
    """
    responses = band_responses(bands[:, counted])
    # Re the middle octave, so that make-up is what a part of the spectrum without a boost shows.
    responses = responses - np.nanmedian(band_responses(in_octaves(bands[:, counted])))
    used = _resolved(responses)
    weights = 10.0 ** (responses[used] / 10.0)
    return bands[0][:, used] @ weights, bands[1][:, used].sum(axis=1)


def _resolved(responses: FloatArray) -> NDArray[np.bool_]:
    """Bands ``(bands,)`` whose power within 20 ms is their own; all that are heard where there is none.

    A bin of 50 Hz also holds power of its neighbours, so where their response is another one it tells nothing.
    """
    heard = np.isfinite(responses)
    alone = heard & (np.asarray(BAND_EDGES_HZ) >= RESOLVED_HZ)
    for number in range(NARROW_BANDS):
        near = responses[max(0, number - REACH_BANDS) : number + REACH_BANDS + 1]
        alone[number] &= bool(np.nanmax(np.abs(near - responses[number]), initial=0.0) < APART_DB)
    return alone if alone.any() else heard


def is_band_dependent(bands: FloatArray) -> bool:
    """Whether octaves that sound at one moment are held down by clearly different amounts, as a rule.

    Octaves through which the response falls or rises do not count: in them, gain moves with the notes.
    """
    octaves = in_octaves(bands)
    gains = _gains(octaves) - band_responses(octaves)
    gains[:, _sloping(band_responses(bands))] = np.nan
    gains = gains[np.isfinite(gains).sum(axis=1) >= 2]
    if len(gains) < LEAST_TICKS:
        return False
    return bool(np.percentile(np.nanmax(gains, axis=1) - np.nanmin(gains, axis=1), 75.0) > 2.0 * BAND_DEPENDENT_DB)


def _sloping(responses: FloatArray) -> NDArray[np.bool_]:
    """Octaves ``(octaves,)`` within which the responses of their bands differ clearly."""
    found = np.zeros(len(OCTAVE_STARTS), dtype=bool)
    for number, part in enumerate(np.split(responses, OCTAVE_STARTS[1:])):
        known = part[np.isfinite(part)]
        found[number] = bool(len(known)) and float(np.ptp(known)) > SLOPING_DB
    return found


def in_octaves(bands: FloatArray) -> FloatArray:
    """Powers of octaves, ``(2, ticks, octaves)``."""
    return np.asarray(np.add.reduceat(bands, OCTAVE_STARTS, axis=2))


def _gains(bands: FloatArray, below_db: float = HEARD_BELOW_DB) -> FloatArray:
    """Gain of each band at each tick in dB, NaN where it is not heard, ``(ticks, bands)``."""
    before, after = bands
    heard = before > before.max(axis=1, keepdims=True, initial=0.0) * 10.0 ** (-below_db / 10.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(heard & (after > 0.0), 10.0 * np.log10(after / before), np.nan)


def _middle(gains: FloatArray) -> FloatArray:
    """Median over the bands that are heard at each tick, NaN where none is; ``(ticks,)``."""
    found = np.full(len(gains), np.nan)
    known = np.isfinite(gains).any(axis=1)
    found[known] = np.nanmedian(gains[known], axis=1)
    return found
