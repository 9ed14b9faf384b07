"""Octave and fractional-octave bands of IEC 61260-1:2014: mid-bands, edges, nominal names, and class 1 limits.

Base ten throughout: G = 10^(3/10) (Formula 1). ``bands_per_octave`` is b of the standard: 1 for octaves, 3 for
thirds.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, inf, log10

import numpy as np

from dsp.core.types import FloatArray

OCTAVE_RATIO = 10.0 ** (3.0 / 10.0)
"""G, Formula 1."""

REFERENCE_HZ = 1000.0

PREFERRED = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
"""Nominal thirds per decade (ISO 266, R10; IEC 61260-1 Annex E)."""

CLASS_1_STEPS = (0.0, 1 / 8, 1 / 4, 3 / 8, 1 / 2, 1 / 2, 1.0, 2.0, 3.0, 4.0)
CLASS_1_LEAST_DB = (-0.4, -0.4, -0.4, -0.4, -0.4, 1.2, 16.6, 40.5, 60.0, 70.0)
CLASS_1_MOST_DB = (0.4, 0.5, 0.7, 1.4, 5.3, inf, inf, inf, inf, inf)
"""Table 1: relative attenuation at an octave filter's mid-band times G^step; the table has the edge twice."""


@dataclass(frozen=True)
class Band:
    """One band: index x (0 is the band at or next above 1 kHz), exact mid-band and edges in hertz."""

    index: int
    bands_per_octave: int
    mid_hz: float
    low_hz: float
    high_hz: float

    @property
    def nominal_hz(self) -> float:
        """The rounded mid-band that names the band: 31.5, 1000, 16000."""
        return nominal(self.mid_hz, self.bands_per_octave)


def mid_band(index: int, bands_per_octave: int) -> float:
    """Exact mid-band frequency, Formula 2 (b odd) and Formula 3 (b even)."""
    if bands_per_octave % 2:
        return float(REFERENCE_HZ * OCTAVE_RATIO ** (index / bands_per_octave))
    return float(REFERENCE_HZ * OCTAVE_RATIO ** ((2 * index + 1) / (2 * bands_per_octave)))


def band(index: int, bands_per_octave: int) -> Band:
    """Band number ``index`` with its edges, Formulas 4 and 5."""
    mid = mid_band(index, bands_per_octave)
    half = float(OCTAVE_RATIO ** (1.0 / (2 * bands_per_octave)))
    return Band(index, bands_per_octave, mid, mid / half, mid * half)


def bands_between(low_nominal_hz: float, high_nominal_hz: float, bands_per_octave: int) -> tuple[Band, ...]:
    """All bands from one nominal frequency to another, both included."""
    first, last = (_nearest_index(nominal_hz, bands_per_octave) for nominal_hz in (low_nominal_hz, high_nominal_hz))
    return tuple(band(index, bands_per_octave) for index in range(first, last + 1))


def nominal(mid_hz: float, bands_per_octave: int) -> float:
    """Nominal frequency: the ISO 266 series for octaves and thirds, otherwise rounded by Annex E.3.

    Annex E.3 rounds to three digits where the first is 1 to 4, to two where it is 5 to 9.
    """
    decade = 10.0 ** floor(log10(mid_hz) + 1e-9)
    if bands_per_octave in (1, 3):
        nearest = min((*PREFERRED, 10.0), key=lambda step: abs(log10(mid_hz / decade / step)))
        return round(nearest * decade, 6)
    digits = 2 if mid_hz / decade < 5.0 else 1
    return float(round(mid_hz / decade, digits) * decade)


def class_1_frequency_ratio(step: float, bands_per_octave: int) -> float:
    """Ratio f / fm of a Table 1 breakpoint above mid-band for any b (Formula 9); below it, its reciprocal."""
    octave = OCTAVE_RATIO**step - 1.0
    scale = (OCTAVE_RATIO ** (1.0 / (2 * bands_per_octave)) - 1.0) / (OCTAVE_RATIO**0.5 - 1.0)
    return float(1.0 + scale * octave)


def class_1_limits(frequency_ratios: FloatArray, bands_per_octave: int) -> tuple[FloatArray, FloatArray]:
    """Least and most relative attenuation in dB at f / fm, linear in lg f between the points of Table 1.

    At exactly the band edge the pass-band limits hold.
    """
    upward = np.maximum(frequency_ratios, 1.0 / frequency_ratios)
    breaks = np.array([class_1_frequency_ratio(step, bands_per_octave) for step in CLASS_1_STEPS])
    edge = 5
    position = np.log10(upward)
    inside = upward <= breaks[edge - 1]
    points = np.log10(breaks)
    least = np.where(
        inside, CLASS_1_LEAST_DB[0], np.interp(position, points[edge:], np.array(CLASS_1_LEAST_DB[edge:]))
    )
    most = np.where(inside, np.interp(position, points[:edge], np.array(CLASS_1_MOST_DB[:edge])), inf)
    return least, most


def _nearest_index(nominal_hz: float, bands_per_octave: int) -> int:
    exact = bands_per_octave * log10(nominal_hz / REFERENCE_HZ) / log10(OCTAVE_RATIO)
    return round(exact if bands_per_octave % 2 else exact - 0.5)
