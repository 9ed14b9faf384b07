"""Amplitude, power, decibels, pascals. Silence is minus infinity; NaN stays NaN."""

from __future__ import annotations

import math
from typing import overload

import numpy as np

from dsp.core.types import FloatArray

REFERENCE_PRESSURE_PA = 20e-6
"""0 dB SPL (IEC 61672-1)."""

SINE_RMS_OFFSET_DB = 10.0 * float(np.log10(2.0))
"""AES17: a full-scale sine reads 0 dBFS(rms), 3.01 dB above the plain rms of unity."""


@overload
def power_to_db(power: float) -> float: ...
@overload
def power_to_db(power: FloatArray) -> FloatArray: ...
def power_to_db(power: float | FloatArray) -> float | FloatArray:
    """10 log10 of a power ratio; 0 gives minus infinity, NaN gives NaN, no warning."""
    if isinstance(power, float):
        return _one_to_db(power, 10.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        level = 10.0 * np.log10(power)
    return float(level) if np.ndim(level) == 0 else level


@overload
def amplitude_to_db(amplitude: float) -> float: ...
@overload
def amplitude_to_db(amplitude: FloatArray) -> FloatArray: ...
def amplitude_to_db(amplitude: float | FloatArray) -> float | FloatArray:
    """20 log10 of an amplitude ratio's magnitude; 0 gives minus infinity, NaN gives NaN, no warning."""
    if isinstance(amplitude, float):
        return _one_to_db(abs(amplitude), 20.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        level = 20.0 * np.log10(np.abs(amplitude))
    return float(level) if np.ndim(level) == 0 else level


def _one_to_db(ratio: float, factor: float) -> float:
    """Decibels of one number; numpy takes ten times as long."""
    if ratio > 0.0:
        return factor * math.log10(ratio)
    return -math.inf if ratio == 0.0 else math.nan


def db_to_power(level_db: float) -> float:
    """Power ratio of a level in decibels."""
    return float(10.0 ** (level_db / 10.0))


def db_to_amplitude(level_db: float) -> float:
    """Amplitude ratio of a level in decibels."""
    return float(10.0 ** (level_db / 20.0))
