"""One row of figures for each second of a stream: what the account of any stretch is made of.

A row holds K-weighted power, true peak, and the power of mid and side in half-octave bands, so any stretch can be
chosen later without the sound. Spectra have a Hann taper at 75 % overlap: the squared tapers add up to a constant, so
each sample counts the same. Bands are those of IEC 61260-1:2014 with b = 2, from 22.4 Hz to 16 kHz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import next_fast_len, rfft, rfftfreq

from dsp.core.hops import HopBuffer
from dsp.core.scipy_signal import hann, sosfreqz
from dsp.core.types import FloatArray, Spec, check_block
from dsp.core.units import db_to_amplitude
from dsp.loudness.k_weighting import k_weighting_sos
from dsp.peak.peak_meter import PeakMeter
from dsp.spectrum.fractional_octaves import band

BANDS = tuple(band(index, 2) for index in range(-11, 8))
"""Half octaves with edges from 22.4 Hz to 15.8 kHz. Above that a lossy file has nothing to compare."""
NAMED_EDGES_HZ = (
    22.4, 31.5, 45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0, 710.0, 1000.0, 1400.0, 2000.0, 2800.0, 4000.0,
    5600.0, 8000.0, 11_200.0, 16_000.0,
)  # fmt: skip
"""Edges as they are called: preferred numbers R 20/3 (ISO 3)."""
LOWS_HZ, MIDDLE_HZ = (20.0, 120.0), (200.0, 2000.0)

HOPS_PER_SECOND = 4
OVERLAP = 4
SUM_OF_SQUARED_TAPERS = OVERLAP * 3.0 / 8.0
HOLD_SECONDS = 1.0
FIRST_ROW = 2.5 / OVERLAP
"""Share of the squared tapers of the first row that lies on sound: the row has nothing before it."""

K, PEAK, LOWS, MIDDLE = range(4)
FIRST_BAND = 4
MID, SIDE = slice(FIRST_BAND, FIRST_BAND + len(BANDS)), slice(FIRST_BAND + len(BANDS), FIRST_BAND + 2 * len(BANDS))
COLUMNS = SIDE.stop
"""Columns of a row: K-weighted power, true peak, powers of 20 to 120 Hz and 200 Hz to 2 kHz, mid and side by band."""


@dataclass(frozen=True)
class Sections:
    """Rows ``(n, COLUMNS)``: powers as mean squares summed over both channels, true peak as an amplitude.

    ``row_seconds`` is about 1 s. A mono stream has its sound in mid, and ``stereo`` False.
    """

    rate_hz: int
    stereo: bool
    row_seconds: float
    rows: FloatArray


class SectionStream:
    """Rows of a stream ``(frames, channels)`` of one or two channels, the same at any block size.

    Spectra are of a second (bins of 1 Hz), so a row lies within half a second of its place. A second with a gap is
    left out.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        if channels not in (1, 2):
            raise ValueError(f"Sections are made of one or two channels, not {channels}.")
        self._rate_hz, self._channels = rate_hz, channels
        self._hop = next_fast_len(round(rate_hz / HOPS_PER_SECOND), real=True)
        self._row_frames = HOPS_PER_SECOND * self._hop
        self.row_seconds = self._row_frames / rate_hz
        self._hops = HopBuffer(self._hop, (OVERLAP - 1) * self._hop, channels)
        self._peaks = PeakMeter(Spec(rate_hz, channels), HOLD_SECONDS)
        size = OVERLAP * self._hop
        self._taper = hann(size, sym=False).astype(np.float32)
        self._weights = _weights(rfftfreq(size, 1.0 / rate_hz), rate_hz)
        # One side of the spectrum holds half of the power (Parseval).
        self._scale = 2.0 / (size * SUM_OF_SQUARED_TAPERS * self._row_frames)
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._peaks.reset()
        self._begin()

    def _begin(self) -> None:
        self._hops.reset()
        self._filled = 0
        self._covered = FIRST_ROW
        self._peaks.mark()
        self._power = np.zeros((2, len(self._weights)))

    def process(self, block: FloatArray) -> list[FloatArray]:
        """The rows that end in this block, each ``(COLUMNS,)``."""
        check_block(block, self._channels)
        rows = []
        taken = 0
        while taken < len(block):
            piece = block[taken : taken + self._row_frames - self._filled]
            taken += len(piece)
            self._filled += len(piece)
            self._peaks.push(piece)
            for segment in self._hops.cut(piece):
                assert segment is not None  # gaps restart the hops
                self._add(segment)
            if self._filled == self._row_frames:
                rows.append(self._row())
        return rows

    def skip(self, frames: int) -> None:
        """Account for lost frames: the open second is dropped, the next one begins after the gap."""
        if frames > 0:
            self._peaks.skip(frames)
            self._begin()

    def _add(self, segment: FloatArray) -> None:
        wave = segment.T
        if self._channels == 2:
            wave = np.stack([wave[0] + wave[1], wave[0] - wave[1]]) * np.sqrt(0.5)
        # Single precision: its error lies 120 dB under the strongest bin.
        tapered = np.multiply(wave, self._taper, dtype=np.float32, casting="same_kind")
        transform = rfft(tapered, axis=1)
        self._power[: self._channels] += transform.real**2 + transform.imag**2

    def _row(self) -> FloatArray:
        sums = (self._power @ self._weights) * (self._scale / self._covered)
        self._covered = 1.0
        both = sums.sum(axis=0)
        row = np.empty(COLUMNS)
        row[K], row[LOWS], row[MIDDLE] = both[-3:]
        row[PEAK] = db_to_amplitude(self._peaks.since_mark[1])
        row[MID], row[SIDE] = sums[:, : len(BANDS)]
        self._filled = 0
        self._power = np.zeros_like(self._power)
        self._peaks.mark()
        return row


def _weights(bins_hz: FloatArray, rate_hz: int) -> FloatArray:
    """Share of each bin in each band, then K-weighting, lows and middle: ``(bins, bands + 3)``."""
    _, response = sosfreqz(k_weighting_sos(rate_hz), bins_hz, fs=rate_hz)
    columns = [_inside(bins_hz, item.low_hz, item.high_hz) for item in BANDS]
    columns += [np.abs(response) ** 2, _inside(bins_hz, *LOWS_HZ), _inside(bins_hz, *MIDDLE_HZ)]
    return np.stack(columns, axis=1)


def _inside(bins_hz: FloatArray, low_hz: float, high_hz: float) -> FloatArray:
    """Share of each bin's width that lies between two frequencies, 0 to 1."""
    half = (bins_hz[1] - bins_hz[0]) / 2.0
    shared = np.minimum(bins_hz + half, high_hz) - np.maximum(bins_hz - half, low_hz)
    return np.asarray(np.clip(shared / (2.0 * half), 0.0, 1.0))
