"""True peak by four-fold oversampling (ITU-R BS.1770-5 Annex 2), with an interpolator of our own design.

The interpolator is a sinc of 32 frames under a Kaiser window, one row of taps for each quarter frame. Up to
0.45 of the rate it differs from the ideal delay by less than 0.05 dB; the 48-tap example of Annex 2 reads up to
0.3 dB low. Attachment 1 to Annex 2 gives the error of a grid of quarter frames. Four-fold at every rate: more than
Annex 2 asks above 48 kHz.

``peak_cells`` applies it to a stream.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray

OVERSAMPLING = 4
TAPS = 32
KAISER_BETA = 5.0

ANNEX_2_FIR = np.array(
    [
        [14, 90, -161, 272, -487, 1125, 7964, -838, 390, -218, 122, -68],
        [-239, 240, -424, 730, -1364, 3810, 6388, -1641, 832, -477, 271, -155],
        [-155, 271, -477, 832, -1641, 6388, 3810, -1364, 730, -424, 240, -239],
        [-68, 122, -218, 390, -838, 7964, 1125, -487, 272, -161, 90, 14],
    ]
) / 8192.0  # fmt: skip
"""BS.1770-5 Annex 2, the order 48 example: four phases of twelve taps, all multiples of 2^-13. For checks only."""


def interpolator(oversampling: int = OVERSAMPLING, taps: int = TAPS, beta: float = KAISER_BETA) -> FloatArray:
    """Taps for each fraction of a frame, shape ``(oversampling, taps)``; row 0 is the frame itself.

    Row ``p`` applied to frames ``n - taps/2 + 1`` to ``n + taps/2`` gives the signal at ``n + p / oversampling``.
    Each row sums to 1. ``taps`` must be even.
    """
    fractions = np.arange(oversampling)[:, None] / oversampling
    distance = np.arange(taps) - (taps // 2 - 1) - fractions
    window = np.i0(beta * np.sqrt(1.0 - (distance / (taps / 2)) ** 2))
    rows = np.sinc(distance) * window
    return np.asarray(rows / rows.sum(axis=1, keepdims=True), dtype=np.float64)


def oversample(block: FloatArray, rows: FloatArray) -> FloatArray:
    """Oversample ``block`` by ``rows`` ``(oversampling, taps)``, without padding.

    Returns ``((frames - taps + 1) * oversampling, channels)``. The plain definition; ``PeakCells`` is faster.
    """
    windows = np.lib.stride_tricks.sliding_window_view(block, rows.shape[1], axis=0)
    values = np.einsum("fct,pt->fpc", windows, rows)
    return np.asarray(values.reshape(-1, block.shape[1]))


BLOCK = 16
VIEWS = 3
STEP = VIEWS * BLOCK
"""One step computes the values after 48 frames by three matrix products: three views of the same frames, each of
windows of 48 frames that do not overlap and hold the taps of 16 neighbours."""


def step_matrix() -> NDArray[np.float32]:
    """Matrix ``(STEP, 3 * BLOCK)`` from 48 frames to the three values after each of 16 neighbours."""
    matrix = np.zeros((STEP, OVERSAMPLING - 1, BLOCK))
    for phase, row in enumerate(interpolator()[1:]):
        for place in range(BLOCK):
            matrix[place : place + TAPS, phase, place] = row
    return matrix.reshape(STEP, -1).astype(np.float32)


def overshoot_bounds() -> tuple[float, float, float]:
    """Factors of two upper bounds of a value between frames: ``(by_peak, by_line, by_bend)``.

    With ``peak`` the highest sample and ``bend`` the highest second difference among its taps, no value exceeds
    ``by_peak * peak``, nor ``by_line * peak + by_bend * bend``. The second holds because each row of taps is
    linear interpolation, plus a tilt of first differences, plus a sum of second differences.
    """
    by_peak, tilt, by_bend = 0.0, 0.0, 0.0
    for phase, row in enumerate(interpolator()[1:], start=1):
        fraction = phase / OVERSAMPLING
        rest = row.copy()
        rest[TAPS // 2 - 1] -= 1.0 - fraction
        rest[TAPS // 2] -= fraction
        slopes = np.cumsum(rest)[:-1]
        excess = float(slopes.sum())
        slopes[TAPS // 2 - 1] -= excess
        by_peak = max(by_peak, float(np.abs(row).sum()))
        tilt = max(tilt, abs(excess))
        by_bend = max(by_bend, float(np.abs(np.cumsum(slopes)).sum()))
    return by_peak, 1.0 + 2.0 * tilt, by_bend
