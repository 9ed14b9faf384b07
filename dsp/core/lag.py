"""Lag between two signals with common content, by cross-correlation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from dsp.core.types import FloatArray

SURE_CORRELATION = 0.5
"""Below this the signals are unrelated, or their lag lies outside the search (our choice, no source)."""


@dataclass(frozen=True)
class Lag:
    """``frames`` (with a fraction), positive when the second signal is late; ``correlation`` there, -1 to 1.

    ``gain`` is the factor of the first signal in the second, negative with inverted polarity.
    """

    frames: float
    correlation: float
    gain: float

    @property
    def sure(self) -> bool:
        """True when the correlation is high enough to report the lag."""
        return abs(self.correlation) >= SURE_CORRELATION


def find_lag(first: FloatArray, second: FloatArray, longest: int) -> Lag:
    """Find the best lag within ``longest`` frames either way of two signals ``(frames, channels)`` of one shape.

    Correlations of the channels are added. Silence gives a correlation of 0. Raises ValueError for unequal shapes.
    """
    if first.shape != second.shape:
        raise ValueError(f"Signals of shape {first.shape} and {second.shape} cannot be lined up; give equal ones.")
    own, other = float((first**2).sum()), float((second**2).sum())
    if not own * other > 0.0:
        return Lag(0.0, 0.0, 0.0)
    longest = min(longest, len(first) - 1)
    size = next_fast_len(len(first) + longest + 1, real=True)
    product = (np.conj(rfft(first, size, axis=0)) * rfft(second, size, axis=0)).sum(axis=1)
    circular = irfft(product, size)
    values = np.concatenate([circular[size - longest :], circular[: longest + 1]]) / np.sqrt(own * other)
    best = int(np.argmax(np.abs(values)))
    correlation = float(np.clip(values[best], -1.0, 1.0))
    return Lag(best - longest + _fraction(values, best), correlation, correlation * float(np.sqrt(other / own)))


def _fraction(values: FloatArray, best: int) -> float:
    """Offset of the top of the parabola through the best value and its neighbours, -0.5 to 0.5."""
    if not 0 < best < len(values) - 1:
        return 0.0
    before, here, after = values[best - 1 : best + 2]
    bend = before - 2.0 * here + after
    return float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5)) if bend else 0.0
