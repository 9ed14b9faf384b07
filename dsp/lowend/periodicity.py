"""Period of short frames by normalised autocorrelation, for many frames at once.

The normalised square difference of McLeod and Wyvill ("A smarter way to find pitch", 2005): 1 for a perfectly
periodic frame, about 0 for noise. Channels are summed after the autocorrelation, so that opposite polarity in left
and right does not hide a note. Frames are ``(frames, samples, channels)``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from dsp.core.types import FloatArray

FIRST_PEAK_SHARE = 0.9
"""The first peak that reaches this share of the highest one is the period (McLeod and Wyvill give 0.8 to 1.0)."""

REFINING_PERIODS = 4
"""A peak some periods further on is as exact in samples, so exacter in period; 4 keeps vibrato out of it."""


def normalised_correlation(frames: FloatArray, lags: int) -> FloatArray:
    """Similarity of each frame to itself ``lag`` samples later, ``(frames, lags + 1)``; 0 for silent frames."""
    length = frames.shape[1]
    size = next_fast_len(length + lags, real=True)
    spectra = rfft(frames, size, axis=1)
    power = added_power(spectra)
    correlation = irfft(power, size, axis=1)[:, : lags + 1]
    squares = np.einsum("fsc,fsc->fs", frames, frames)
    running = np.concatenate([np.zeros((len(frames), 1)), np.cumsum(squares, axis=1)], axis=1)
    both = running[:, length - lags :][:, ::-1] + (running[:, -1:] - running[:, : lags + 1])
    found: FloatArray = np.zeros_like(correlation)
    np.divide(2.0 * correlation, both, out=found, where=both > 1e-20)
    return found


def added_power(spectra: NDArray[Any]) -> FloatArray:
    """Squared magnitudes of ``(frames, bins, channels)`` added over the channels, ``(frames, bins)``."""
    power = spectra.real**2 + spectra.imag**2
    return np.asarray(power[:, :, 0] if power.shape[2] == 1 else power.sum(axis=2))


def periods(similarity: FloatArray, shortest: int) -> tuple[FloatArray, FloatArray]:
    """Period in samples and its clarity (0 to 1) for each row; NaN and 0 where there is no peak.

    ``shortest`` is the smallest lag taken for a period.
    """
    peaks = _peaks(similarity, shortest)
    highest = np.where(peaks, similarity, 0.0).max(axis=1, initial=0.0)
    eligible = peaks & (similarity >= FIRST_PEAK_SHARE * highest[:, None]) & (similarity > 0.0)
    found = eligible.any(axis=1)
    first = np.argmax(eligible, axis=1)
    coarse = _interpolate(similarity, first)
    period = np.where(found, _refine(similarity, coarse), np.nan)
    clarity = np.where(found, similarity[np.arange(len(similarity)), first], 0.0)
    return period, np.minimum(np.maximum(clarity, 0.0), 1.0)


def _peaks(similarity: FloatArray, shortest: int) -> NDArray[Any]:
    """Local maxima past the first dip below zero; that dip separates the peak at lag 0 from the period's."""
    peaks = np.zeros(similarity.shape, dtype=bool)
    middle = similarity[:, 1:-1]
    peaks[:, 1:-1] = (middle > similarity[:, :-2]) & (middle >= similarity[:, 2:])
    peaks &= np.logical_or.accumulate(similarity < 0.0, axis=1)
    peaks[:, :shortest] = False
    return peaks


def _interpolate(similarity: FloatArray, lag: NDArray[Any]) -> FloatArray:
    """Lags moved to the top of the parabola through three samples."""
    row = np.arange(len(similarity))
    # Of arrays this short, np.clip takes four times as long.
    inner = np.minimum(np.maximum(lag, 1), similarity.shape[1] - 2)
    before, here, after = (similarity[row, inner + step] for step in (-1, 0, 1))
    bend = before - 2.0 * here + after
    offset = np.zeros(len(similarity))
    np.divide(0.5 * (before - after), bend, out=offset, where=bend < 0.0)
    return np.asarray(inner + np.minimum(np.maximum(offset, -1.0), 1.0))


def _refine(similarity: FloatArray, coarse: FloatArray) -> FloatArray:
    """Follow the period to its second, third and fourth multiple while the peaks stay where they should."""
    row = np.arange(len(similarity))
    last = similarity.shape[1] - 2
    best = coarse.copy()
    still = np.ones(len(coarse), dtype=bool)
    for multiple in range(2, REFINING_PERIODS + 1):
        expected = multiple * best
        still &= expected < last - 1
        centre = np.minimum(np.maximum(np.rint(expected).astype(int), 2), max(last - 1, 2))
        nearby = similarity[row[:, None], centre[:, None] + np.arange(-1, 2)]
        refined = _interpolate(similarity, centre - 1 + nearby.argmax(axis=1)) / multiple
        still &= np.abs(refined - best) < 1.5 / multiple
        best = np.where(still, refined, best)
    return best
