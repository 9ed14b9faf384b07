"""Decimation to about 1 kHz for analyses of the lows.

A linear-phase low-pass (Kaiser window, 100 dB) and the selection of every M-th sample are one matrix product.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import as_strided

from dsp.core.scipy_signal import firwin, kaiserord
from dsp.core.types import FloatArray

LOW_RATE_HZ = 1000
PASS_HZ = 250.0
"""Up to here the low rate is flat within 0.001 dB and free of aliases down to -100 dB."""

STOP_DB = 100.0
OUTPUTS_PER_PRODUCT = 10
"""Outputs of one product: about as many as the filter spans, so that little of the matrix is zero."""


def low_rate_factor(rate_hz: int) -> int:
    """The factor that brings ``rate_hz`` nearest to 1 kHz; within 10 % of it a divisor of the rate, if any."""
    nearest = max(1, round(rate_hz / LOW_RATE_HZ))
    span = nearest // 10
    exact = [factor for factor in range(nearest - span, nearest + span + 1) if rate_hz % factor == 0]
    return min(exact, key=lambda factor: abs(factor - nearest)) if exact else nearest


class Decimator:
    """Every ``factor``-th sample of the low-passed signal. Has no state: the caller supplies the history.

    ``low_rate_hz`` is the output's rate, ``history_frames`` how many frames ``apply`` needs before the first
    new one, ``delay_seconds`` the delay of the filter.
    """

    def __init__(self, rate_hz: int, factor: int) -> None:
        self._factor = factor
        self.low_rate_hz = rate_hz / factor
        taps = self._low_pass(rate_hz)
        self.history_frames = len(taps) - factor
        self.delay_seconds = (len(taps) - 1) / 2 / rate_hz
        self._matrix = np.zeros((OUTPUTS_PER_PRODUCT, self.history_frames + OUTPUTS_PER_PRODUCT * factor))
        for row in range(OUTPUTS_PER_PRODUCT):
            self._matrix[row, row * factor : row * factor + len(taps)] = taps

    def apply(self, segment: FloatArray) -> FloatArray:
        """Decimate ``(history_frames + n * 10 * factor, channels)``, contiguous, to ``(n * 10, channels)``."""
        length = self._matrix.shape[1]
        step = OUTPUTS_PER_PRODUCT * self._factor
        products, rest = divmod(len(segment) - self.history_frames, step)
        if products < 1 or rest:
            raise ValueError(f"{len(segment)} frames are not the history and a multiple of {step}.")
        frame, channel = segment.strides
        windows = as_strided(segment, (products, length, segment.shape[1]), (step * frame, frame, channel))
        return np.asarray((self._matrix @ windows).reshape(-1, segment.shape[1]))

    def _low_pass(self, rate_hz: int) -> FloatArray:
        if self._factor == 1:
            return np.ones(1)
        taps, beta = kaiserord(STOP_DB, (self.low_rate_hz - 2 * PASS_HZ) / (rate_hz / 2))
        taps = max(taps, self._factor) | 1
        return np.asarray(firwin(taps, self.low_rate_hz / 2, window=("kaiser", beta), fs=rate_hz))
