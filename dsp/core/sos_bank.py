"""Several recursive filters over hops of one length as a single matrix product.

Over a hop of n samples a linear filter is a matrix from (n samples, its state) to (n samples, its next state). The
matrices are filled by running ``scipy.signal.sosfilt`` on unit samples and unit states, so results are the same.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dsp.core.scipy_signal import sosfilt
from dsp.core.sos import DENORMAL_FLOOR
from dsp.core.types import FloatArray


class SosBank:
    """Filters with an equal number of sections, each applied to every channel; state lives from hop to hop."""

    def __init__(self, filters: Sequence[FloatArray], samples: int, channels: int) -> None:
        self._samples = samples
        matrices = np.stack([_hop_matrix(sos, samples) for sos in filters])
        self._from_input = np.ascontiguousarray(matrices[:, :, :samples])
        self._from_state = np.ascontiguousarray(matrices[:, :, samples:])
        self._state = np.zeros((len(filters), matrices.shape[1] - samples, channels))

    def process(self, hop: FloatArray) -> FloatArray:
        """``(samples, channels)`` to ``(filters, samples, channels)``."""
        result = self._from_input @ hop + self._from_state @ self._state
        self._state = result[:, self._samples :].copy()
        self._state[np.abs(self._state) < DENORMAL_FLOOR] = 0.0
        return np.asarray(result[:, : self._samples])

    def reset(self) -> None:
        """Forget the signal."""
        self._state[:] = 0.0


def _hop_matrix(sos: FloatArray, samples: int) -> FloatArray:
    """``(samples + states, samples + states)``: columns are answers to one unit sample or one unit of state."""
    states = 2 * len(sos)
    size = samples + states
    units = np.zeros((samples, size))
    units[:, :samples] = np.eye(samples)
    start = np.zeros((len(sos), 2, size))
    start.reshape(states, size)[:, samples:] = np.eye(states)
    answers, end = sosfilt(sos, units, axis=0, zi=start)
    return np.concatenate([answers, end.reshape(states, size)])
