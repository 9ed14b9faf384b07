"""The low end, 20 to 120 Hz and four bands within, of any number of channels at once.

The stream is brought to about 1 kHz (``decimation``) and split there by Butterworth band-passes of order 4:
24 dB per octave on either side, -3.01 dB at both edges, 0 dB between. Where two bands meet each holds half the
power. The edges are common practice of mixing (trade use, no source). The phase is not linear; it is the same in
every channel, so that comparisons between channels hold.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dsp.core.decimation import Decimator, low_rate_factor
from dsp.core.hops import HopBuffer
from dsp.core.scipy_signal import butter
from dsp.core.sos_bank import SosBank
from dsp.core.types import FloatArray

Edges = tuple[float, float]

LOW_END_HZ: Edges = (20.0, 120.0)
SUB_BANDS_HZ: tuple[Edges, ...] = ((20.0, 40.0), (40.0, 60.0), (60.0, 90.0), (90.0, 120.0))
LOW_BANDS_HZ: tuple[Edges, ...] = (LOW_END_HZ, *SUB_BANDS_HZ)

ORDER = 4
HOP_SAMPLES = 50
"""Samples at the low rate per hop: about 50 ms, a cycle of the lowest note that is looked at."""

SETTLE_SECONDS = 0.3
"""After a gap the filters start empty and this much is left out; then the slowest band is within 0.1 dB."""


class LowBand:
    """Split a stream into low bands, hop by hop.

    ``hop_frames`` frames of the stream become ``HOP_SAMPLES`` samples at ``low_rate_hz``; a hop lasts
    ``hop_seconds``. Before the start lies silence. ``bands_hz`` are pairs of edges between 5 and 250 Hz.
    """

    def __init__(self, rate_hz: int, channels: int, bands_hz: Sequence[Edges] = LOW_BANDS_HZ) -> None:
        factor = low_rate_factor(rate_hz)
        self._decimator = Decimator(rate_hz, factor)
        self.low_rate_hz = self._decimator.low_rate_hz
        self.hop_frames = HOP_SAMPLES * factor
        self.hop_seconds = self.hop_frames / rate_hz
        self.bands_hz = tuple(bands_hz)
        self._shape = (len(self.bands_hz), HOP_SAMPLES, channels)
        self._filters = [self._band_pass(edges) for edges in self.bands_hz]
        self._bank = SosBank(self._filters, HOP_SAMPLES, channels)
        self._hops = HopBuffer(self.hop_frames, self._decimator.history_frames, channels)
        self._settle_frames = 0
        self._frames_to_settle = round(SETTLE_SECONDS * rate_hz)

    def process(self, block: FloatArray) -> FloatArray:
        """Band signals of the hops that end in this block, ``(hops, bands, HOP_SAMPLES, channels)``.

        Hops that are lost, or too near after a gap to be trusted, are NaN.
        """
        results = [self._run(hops, segment) for hops, segment in self._hops.runs(block)]
        return np.concatenate(results) if results else np.empty((0, *self._shape))

    def skip(self, frames: int) -> FloatArray:
        """Account for lost frames; returns the hops that end in the gap, all NaN."""
        if frames > 0:
            self._bank.reset()
            self._settle_frames = self._frames_to_settle
        # A view of one NaN; otherwise a long disconnection would fill memory.
        return np.broadcast_to(np.float64(np.nan), (self._hops.skip(frames), *self._shape))

    def reset(self) -> None:
        """Forget the signal."""
        self._hops.reset()
        self._bank.reset()
        self._settle_frames = 0

    def delay_seconds(self, band: int) -> float:
        """How late the middle (geometric mean of the edges) of a band comes out, decimation included."""
        low, high = self.bands_hz[band]
        middle = np.sqrt(low * high)
        step = 0.001 * middle
        below, above = np.angle(self._response(band, np.array([middle - step, middle + step])))
        turn = (below - above + np.pi) % (2 * np.pi) - np.pi
        return float(turn / (2 * np.pi * 2 * step) + self._decimator.delay_seconds)

    def _response(self, band: int, frequencies_hz: FloatArray) -> FloatArray:
        from_unit_circle = np.exp(-2j * np.pi * frequencies_hz / self.low_rate_hz)
        powers = np.stack([np.ones_like(from_unit_circle), from_unit_circle, from_unit_circle**2])
        sections = self._filters[band]
        return np.asarray(np.prod((sections[:, :3] @ powers) / (sections[:, 3:] @ powers), axis=0))

    def _band_pass(self, edges_hz: Edges) -> FloatArray:
        return np.asarray(butter(ORDER, edges_hz, "bandpass", fs=self.low_rate_hz, output="sos"))

    def _run(self, hops: int, segment: FloatArray | None) -> FloatArray:
        """Hops in a row, with the history before the first."""
        if segment is None:
            return np.full((hops, *self._shape), np.nan)
        low = self._decimator.apply(segment).reshape(hops, HOP_SAMPLES, -1)
        bands = np.stack([self._one(hop) for hop in low])
        # A run of more than one hop lies in one block; how long before its last hop it was whole is known.
        unbroken = self._hops.unbroken_frames - self.hop_frames * np.arange(hops - 1, -1, -1)
        bands[unbroken < self._settle_frames] = np.nan
        return bands

    def _one(self, hop: FloatArray) -> FloatArray:
        bands = self._bank.process(hop)
        if not np.isfinite(bands).all():
            self._bank.reset()
            return np.full(self._shape, np.nan)
        return bands
