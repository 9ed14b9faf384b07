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
LEAST_TICKS = 50
RESOLVED_HZ = 175.0
"""Lower bands are not resolved within 20 ms."""


def band_responses(bands: FloatArray) -> FloatArray:
    """Usual gain of each band in dB re that of all bands at the same moments; NaN where it is seldom heard.

    At one moment a stage that is not band-dependent holds all bands down alike, so what differs is its response.
    """
    apart = _gains(bands) - _gain_of_all(bands)[:, None]
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
    used = np.isfinite(responses) & (np.asarray(BAND_EDGES_HZ) >= RESOLVED_HZ)
    used = used if used.any() else np.isfinite(responses)
    weights = 10.0 ** (responses[used] / 10.0)
    return bands[0][:, used] @ weights, bands[1][:, used].sum(axis=1)


def is_band_dependent(bands: FloatArray) -> bool:
    """Whether octaves that sound at one moment are held down by clearly different amounts, as a rule."""
    octaves = in_octaves(bands)
    gains = _gains(octaves) - band_responses(octaves)
    gains = gains[np.isfinite(gains).sum(axis=1) >= 2]
    if len(gains) < LEAST_TICKS:
        return False
    return bool(np.percentile(np.nanmax(gains, axis=1) - np.nanmin(gains, axis=1), 75.0) > 2.0 * BAND_DEPENDENT_DB)


def in_octaves(bands: FloatArray) -> FloatArray:
    """Powers of octaves, ``(2, ticks, octaves)``."""
    return np.asarray(np.add.reduceat(bands, OCTAVE_STARTS, axis=2))


def _gains(bands: FloatArray) -> FloatArray:
    """Gain of each band at each tick in dB, NaN where it is not heard, ``(ticks, bands)``."""
    before, after = bands
    heard = before > before.max(axis=1, keepdims=True, initial=0.0) * 10.0 ** (-HEARD_BELOW_DB / 10.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(heard & (after > 0.0), 10.0 * np.log10(after / before), np.nan)


def _gain_of_all(bands: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10.0 * np.log10(bands[1].sum(axis=1) / bands[0].sum(axis=1)))
