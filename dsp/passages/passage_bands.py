"""Power of a stream in twelve bands, 40 times a second, for the recognition of passages.

A hop is 25 ms; each reading is the power spectrum of about the last 85 ms under a Hann taper, summed over bands and
channels, as mean square re 1.0. Channels past the second are folded onto the first two.
"""

from __future__ import annotations

import numpy as np
from scipy.fft import next_fast_len, rfft, rfftfreq

from dsp.core.hops import HopBuffer
from dsp.core.scipy_signal import hann
from dsp.core.types import FloatArray

BAND_EDGES_HZ = (20, 60, 120, 250, 400, 650, 1000, 1500, 2000, 3000, 4500, 8000, 14_000)
BANDS = len(BAND_EDGES_HZ) - 1
LOWS, MIDDLE, TOP = slice(0, 2), slice(2, 8), slice(8, 11)
"""Columns of 20 to 120 Hz, 120 Hz to 2 kHz and 2 to 8 kHz."""

HOPS_PER_SECOND = 40
WINDOW_SECONDS = 0.085


class PassageBands:
    """``process`` yields ``(hops, BANDS)``; a hop whose window touches lost frames is NaN."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self.hop_frames = round(rate_hz / HOPS_PER_SECOND)
        self._window = next_fast_len(round(WINDOW_SECONDS * rate_hz), real=True)
        self._hops = HopBuffer(self.hop_frames, self._window - self.hop_frames, channels)
        self._fold = _fold(channels)
        self._taper = hann(self._window, sym=False).astype(np.float32)
        bins_hz = rfftfreq(self._window, 1.0 / rate_hz)
        edges = np.searchsorted(bins_hz, BAND_EDGES_HZ)
        self._bins = np.minimum(edges, len(bins_hz) - 1)
        self._empty = np.diff(edges) == 0
        self._used = int(self._bins[-1]) + 1
        # One side of the spectrum holds half of the power (Parseval), spread by the taper's energy.
        self._scale = 2.0 / (self._window * float(np.sum(self._taper.astype(np.float64) ** 2)))

    def reset(self) -> None:
        """Forget the signal."""
        self._hops.reset()

    def process(self, block: FloatArray) -> FloatArray:
        """Powers of the hops that end in this block."""
        found = [self._read(segment) for segment in self._hops.cut(block)]
        return np.array(found) if found else np.empty((0, BANDS))

    def skip(self, frames: int) -> int:
        """Account for lost frames; returns how many hops end in them, all of them lost."""
        return self._hops.skip(frames)

    def _read(self, segment: FloatArray | None) -> FloatArray:
        if segment is None or self._hops.unbroken_frames < self._window:
            return np.full(BANDS, np.nan)
        wave = segment if self._fold is None else segment @ self._fold
        # Single precision: levels are stored to 0.01 dB.
        tapered = np.multiply(wave.T, self._taper, dtype=np.float32, casting="same_kind")
        transform = rfft(tapered, axis=1)[:, : self._used]
        power = (transform.real**2 + transform.imag**2).sum(axis=0, dtype=np.float64)
        bands = np.add.reduceat(power, self._bins)[:-1] * self._scale
        bands[self._empty] = 0.0
        return np.asarray(bands)


def _fold(channels: int) -> FloatArray | None:
    """Matrix ``(channels, 2)``: odd channels to the left, even ones to the right; None for up to two channels."""
    if channels <= 2:
        return None
    fold = np.zeros((channels, 2))
    fold[::2, 0] = fold[1::2, 1] = 1.0
    return fold
