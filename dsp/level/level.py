"""RMS level, AES17 level, sample peak and crest factor of a stream.

Sources: AES17 (a full-scale sine is 0 dBFS, 3.01 dB above its plain RMS); crest factor is peak over RMS.
"""

from __future__ import annotations

import numpy as np

from dsp.core.types import FloatArray, check_block
from dsp.core.units import SINE_RMS_OFFSET_DB, amplitude_to_db, power_to_db


class Level:
    """Mean square and sample peak per channel since the start. The caller leaves lost frames out."""

    def __init__(self, channels: int) -> None:
        self._channels = channels
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._energy = np.zeros(self._channels)
        self._peak = np.zeros(self._channels)
        self._frames = 0

    def process(self, block: FloatArray) -> None:
        """Measure a block ``(frames, channels)``."""
        check_block(block, self._channels)
        if not len(block):
            return
        self._energy += np.einsum("nc,nc->c", block, block)
        self._peak = np.maximum(self._peak, np.abs(block).max(axis=0))
        self._frames += len(block)

    @property
    def mean_power(self) -> FloatArray:
        """Mean square per channel; NaN before the first frame."""
        return self._energy / self._frames if self._frames else np.full(self._channels, np.nan)

    @property
    def rms_db(self) -> FloatArray:
        """Plain RMS in dB re unity: a full-scale sine reads -3.01. Minus infinity for silence."""
        return power_to_db(self.mean_power)

    @property
    def rms_dbfs(self) -> FloatArray:
        """AES17 RMS level in dBFS: a full-scale sine reads 0. Minus infinity for silence."""
        return self.rms_db + SINE_RMS_OFFSET_DB

    @property
    def peak_dbfs(self) -> FloatArray:
        """Highest sample magnitude in dBFS; minus infinity for silence, NaN before the first frame."""
        return amplitude_to_db(self._peak) if self._frames else np.full(self._channels, np.nan)

    @property
    def crest_db(self) -> FloatArray:
        """Crest factor, sample peak over RMS in dB; NaN for silence and before the first frame."""
        with np.errstate(invalid="ignore"):
            return self.peak_dbfs - self.rms_db
