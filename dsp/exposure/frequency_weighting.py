"""Frequency weightings A and C and time weightings F and S of a sound level meter.

Power stays linear. Levels of a feed are AES17: a full-scale 1 kHz sine reads 0 dBFS(A).

Source: IEC 61672-1:2013, 5.5 and Annex E (frequency weighting), 5.8 (time weighting), 3.12 (sound exposure level).
The filters stay within 0.04 dB of the Annex E curve from 10 Hz to 16 kHz at 44.1 kHz and above (0.7 dB at 20 kHz);
class 1 allows +2.5 and -16 dB at 16 kHz.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from dsp.core.scipy_signal import lfilter, sosfreqz
from dsp.core.sos import DENORMAL_FLOOR, SosFilter
from dsp.core.types import FloatArray

POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)
"""f1 to f4 of Annex E at full precision; printed as 20.60, 107.7, 737.9 and 12194 Hz."""

NORMALISATION_DB = {"A": -1.9997, "C": -0.0619}
"""A1000 and C1000 of Annex E (printed -2.000 and -0.062): what the unscaled curve reads at 1 kHz."""

FAST_SECONDS = 0.125
SLOW_SECONDS = 1.0
"""Time constants of F and S (5.8.1)."""

LOW_PASS_MATCHED_HZ = (11_000.0, 15_849.0)
LOW_PASS_MATCHED_MOST = (0.25, 0.36)
"""Where the double pole at f4 meets its analogue magnitude exactly; at low rates these shares of the rate instead."""

Weighting = Literal["A", "C"]


def weighting_db(frequency_hz: FloatArray, weighting: Weighting) -> FloatArray:
    """The analytic curve, formulae E.1 (C) and E.6 (A); minus infinity at 0 Hz."""
    f1, f2, f3, f4 = (pole**2 for pole in POLES_HZ)
    squared = np.asarray(frequency_hz, dtype=np.float64) ** 2
    gain = f4 * squared / ((squared + f1) * (squared + f4))
    if weighting == "A":
        gain = gain * squared / np.sqrt((squared + f2) * (squared + f3))
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(gain) - NORMALISATION_DB[weighting])


def weighting_sos(rate_hz: int, weighting: Weighting) -> FloatArray:
    """Second-order sections of A or C for this rate, ``(3, 6)`` or ``(2, 6)``.

    The high-pass poles use the bilinear transform, each exact at its own corner; it bends only the top, where they
    pass everything. The pole pair at f4 is matched in magnitude instead, since the bilinear transform would lose
    9 dB at 16 kHz and 44.1 kHz.
    """
    f1, f2, f3, f4 = POLES_HZ
    sections = [_high_pass_pair(f1, f1, rate_hz)]
    if weighting == "A":
        sections.append(_high_pass_pair(f2, f3, rate_hz))
    sos = np.array([*sections, _low_pass_pair(f4, rate_hz)])
    # 0 dB at 1 kHz by definition; at lower rates the value of the curve at an eighth of the rate.
    exact_hz = np.array([min(1000.0, rate_hz / 8.0)])
    _, response = sosfreqz(sos, exact_hz, fs=rate_hz)
    sos[-1, :3] *= 10.0 ** (weighting_db(exact_hz, weighting) / 20.0) / np.abs(response)
    return sos


class WeightingFilter(SosFilter):
    """A or C weighting over ``(frames, channels)``, with state."""

    def __init__(self, weighting: Weighting, rate_hz: int, channels: int) -> None:
        super().__init__(weighting_sos(rate_hz, weighting), channels)


class TimeWeighting:
    """Exponential average of the squared signal (5.8): power after each frame, ``(frames, channels)``."""

    def __init__(self, time_constant_seconds: float, rate_hz: int, channels: int) -> None:
        share = -math.expm1(-1.0 / (rate_hz * time_constant_seconds))
        self._b, self._a = np.array([share]), np.array([1.0, share - 1.0])
        self._state = np.zeros((1, channels))

    def process(self, weighted: FloatArray) -> FloatArray:
        """Power of a frequency-weighted block; an empty block returns itself."""
        if not len(weighted):
            return weighted
        power, state = lfilter(self._b, self._a, weighted * weighted, axis=0, zi=self._state)
        state[state < DENORMAL_FLOOR] = 0.0
        self._state = state
        return np.asarray(power)

    def reset(self) -> None:
        """Forget the signal."""
        self._state[:] = 0.0


class WeightedEnergy:
    """Energy and peak of a weighted signal since the start: LAeq, LAE and LCpeak."""

    def __init__(self, weighting: Weighting, rate_hz: int, channels: int) -> None:
        self._filter = WeightingFilter(weighting, rate_hz, channels)
        self._rate_hz = rate_hz
        self._channels = channels
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._filter.reset()
        self._energy = np.zeros(self._channels)
        self._peak = np.zeros(self._channels)
        self._frames = 0

    def process(self, block: FloatArray) -> None:
        """Measure a block ``(frames, channels)``."""
        if not len(block):
            return
        weighted = self._filter.process(block)
        self._energy += np.einsum("nc,nc->c", weighted, weighted)
        self._peak = np.maximum(self._peak, np.abs(weighted).max(axis=0))
        self._frames += len(block)

    @property
    def mean_power(self) -> FloatArray:
        """Mean square per channel (10 lg of it is Leq re unity); NaN before the first frame."""
        return self._energy / self._frames if self._frames else np.full(self._channels, np.nan)

    @property
    def exposure(self) -> FloatArray:
        """Mean square times seconds per channel; 10 lg of it is the exposure level LE re unity and 1 s."""
        return self._energy / self._rate_hz

    @property
    def peak(self) -> FloatArray:
        """Highest magnitude of the weighted samples per channel."""
        return self._peak.copy()


def _high_pass_pair(first_hz: float, second_hz: float, rate_hz: int) -> FloatArray:
    (b1, a1), (b2, a2) = _high_pass(first_hz, rate_hz), _high_pass(second_hz, rate_hz)
    return np.concatenate([np.convolve(b1, b2), np.convolve(a1, a2)])


def _high_pass(corner_hz: float, rate_hz: int) -> tuple[FloatArray, FloatArray]:
    """First order by the bilinear transform, exact at its corner, which is kept below half the rate."""
    warped = math.tan(math.pi * min(corner_hz / rate_hz, 0.49))
    return np.array([1.0, -1.0]) / (1.0 + warped), np.array([1.0, (warped - 1.0) / (warped + 1.0)])


def _low_pass_pair(corner_hz: float, rate_hz: int) -> FloatArray:
    """A real pole pair whose magnitude is exact at 0 Hz and at two more frequencies.

    With t = sin²(pi f / rate), the squared magnitude of a second-order section is a ratio of polynomials in t. The
    poles are those of the analogue filter, exp(-2 pi f4 / rate); the three coefficients of the numerator follow from
    the three frequencies, and its factors give the section with its zeros inside the unit circle.
    """
    pole = math.exp(-2.0 * math.pi * corner_hz / rate_hz)
    matched_hz = np.minimum(LOW_PASS_MATCHED_HZ, np.multiply(LOW_PASS_MATCHED_MOST, rate_hz))
    t = np.sin(np.pi * matched_hz / rate_hz) ** 2
    at_rest = (1.0 - pole) ** 4
    denominator = ((1.0 - pole) ** 2 + 4.0 * pole * t) ** 2
    wanted = denominator / (1.0 + (matched_hz / corner_hz) ** 2) ** 2
    linear, square = np.linalg.solve(np.stack([t, t**2], axis=1), wanted - at_rest)
    zeros = [_inside_unit_circle(2.0 - 4.0 * root) for root in np.roots([square, linear, at_rest])]
    b = np.real(np.poly(zeros))
    b *= (1.0 - pole) ** 2 / b.sum()
    return np.array([*b, 1.0, -2.0 * pole, pole**2])


def _inside_unit_circle(sum_with_inverse: complex) -> complex:
    """The z inside the unit circle with z + 1/z as given."""
    roots = np.roots([1.0, -sum_with_inverse, 1.0])
    return complex(roots[np.argmin(np.abs(roots))])
