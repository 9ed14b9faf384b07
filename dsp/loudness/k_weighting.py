"""K-weighting (ITU-R BS.1770-5 Annex 1, Tables 1 and 2) at any rate, as one filter with memory.

The Recommendation gives coefficients at 48 kHz and asks for the same frequency response at other rates. The bilinear
transform of the table is inverted and applied at the other rate, passband gain included: the second stage as printed
passes +0.043 dB, and its numerator kept at 1, -2, 1 would lose part of that at other rates.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dsp.core.scipy_signal import lfilter
from dsp.core.sos import DENORMAL_FLOOR
from dsp.core.types import FloatArray

TABLE_RATE_HZ = 48000

SHELF_48_KHZ = (1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585)
"""BS.1770-5 Annex 1 Table 1: b0 b1 b2 a0 a1 a2 of the first stage, the effect of a head."""

HIGH_PASS_48_KHZ = (1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621)
"""BS.1770-5 Annex 1 Table 2: b0 b1 b2 a0 a1 a2 of the second stage, the low-frequency roll-off."""


def section_at_rate(section: Sequence[float], from_rate_hz: float, to_rate_hz: float) -> FloatArray:
    """The second-order section ``(6,)`` whose analogue prototype is that of ``section``, at another rate.

    With ``w`` for one frame of delay and ``s = (1 - w) / (1 + w)``, a polynomial in ``w`` is one in ``s`` and back;
    the change of rate scales ``s``. Both are exact.
    """
    ratio = to_rate_hz / from_rate_hz
    numerator = _polynomial_at_ratio(section[:3], ratio)
    denominator = _polynomial_at_ratio(section[3:], ratio)
    return np.asarray(np.concatenate([numerator, denominator]) / denominator[0])


def _polynomial_at_ratio(coefficients: Sequence[float], ratio: float) -> FloatArray:
    c0, c1, c2 = coefficients
    constant = c0 + c1 + c2
    linear = 2.0 * (c0 - c2) * ratio
    square = (c0 - c1 + c2) * ratio**2
    return np.array([constant + linear + square, 2.0 * (constant - square), constant - linear + square])


def k_weighting_sos(rate_hz: int) -> FloatArray:
    """Both stages of K-weighting as second-order sections, shape ``(2, 6)``."""
    stages = (SHELF_48_KHZ, HIGH_PASS_48_KHZ)
    return np.array([section_at_rate(stage, TABLE_RATE_HZ, rate_hz) for stage in stages])


class KWeighting:
    """K-weighting of every channel, keeping its state from block to block.

    Runs as one direct form of order four, a quarter of the cost of two sections at small blocks; its rounding
    noise lies 140 dB under the signal at 192 kHz.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        region, high_pass = k_weighting_sos(rate_hz)
        self._numerator = np.convolve(region[:3], high_pass[:3])
        self._denominator = np.convolve(region[3:], high_pass[3:])
        self._state = np.zeros((4, channels))

    def process(self, block: FloatArray) -> FloatArray:
        """A new array ``(frames, channels)``; an empty block returns itself."""
        if not len(block):
            return block
        weighted, state = lfilter(self._numerator, self._denominator, block, axis=0, zi=self._state)
        state[np.abs(state) < DENORMAL_FLOOR] = 0.0
        self._state = state
        return np.asarray(weighted)

    def ringing(self, frames: int) -> FloatArray:
        """Free response to ``frames`` frames of silence, ``(frames, channels)``; the state does not change."""
        silence = np.zeros((frames, self._state.shape[1]))
        return np.asarray(lfilter(self._numerator, self._denominator, silence, axis=0, zi=self._state)[0])

    def reset(self) -> None:
        """Forget the signal."""
        self._state[:] = 0.0
