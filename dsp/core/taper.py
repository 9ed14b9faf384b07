"""Gain, noise bandwidth and scalloping of a taper (the weighting of frames before a Fourier transform).

Definitions as in F. J. Harris, "On the use of windows for harmonic analysis with the discrete Fourier
transform", Proceedings of the IEEE 66 (1978): coherent gain, equivalent noise bandwidth, scalloping loss.
"""

from __future__ import annotations

import numpy as np

from dsp.core.types import FloatArray


def coherent_gain(taper: FloatArray) -> float:
    """Mean of the taper: a sine of amplitude A on a bin reads A times half the length times this."""
    return float(taper.mean())


def noise_bandwidth_bins(taper: FloatArray) -> float:
    """Equivalent noise bandwidth in bins: white noise reads as through an ideal filter this wide."""
    return float(len(taper) * np.sum(taper**2) / np.sum(taper) ** 2)


def scalloping_db(taper: FloatArray) -> float:
    """Scalloping loss in dB, positive: the error of a sine half-way between two bins."""
    turns = np.exp(-1j * np.pi * np.arange(len(taper)) / len(taper))
    return float(-20.0 * np.log10(np.abs(np.sum(taper * turns)) / np.sum(taper)))
