"""Recursive filter of second-order sections over ``(frames, channels)``, with state."""

from __future__ import annotations

import numpy as np

from dsp.core.scipy_signal import sosfilt
from dsp.core.types import FloatArray

DENORMAL_FLOOR = 1e-30
"""States below this become zero after each block: arithmetic on denormals is many times slower."""


class SosFilter:
    """One set of second-order sections for every channel; state lives from block to block.

    ``sos`` is ``(sections, 6)`` as scipy gives it. ``process`` returns a new array of the block's shape.
    """

    def __init__(self, sos: FloatArray, channels: int) -> None:
        self._sos = np.ascontiguousarray(sos, dtype=np.float64)
        self._state = np.zeros((self._sos.shape[0], 2, channels))

    def process(self, block: FloatArray) -> FloatArray:
        """Filter one block; an empty block returns itself."""
        if not len(block):
            return block
        filtered, state = sosfilt(self._sos, block, axis=0, zi=self._state)
        state[np.abs(state) < DENORMAL_FLOOR] = 0.0
        self._state = state
        return np.asarray(filtered)

    def reset(self) -> None:
        """Forget the signal."""
        self._state[:] = 0.0
