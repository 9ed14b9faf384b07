"""Power spectra of the lows in frames of about one second: what lies under a part's lowest note, and who shares it.

Hann windows of 1.024 s every half of that, on audio at about 4 kHz (``mid_rate``): two notes a whole tone apart
at 40 Hz are told apart. Rows keep power linear; the bins of a row add up to the mean square under ``TOP_HZ``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import rfft

from dsp.core.framing import Framer
from dsp.core.scipy_signal import get_window
from dsp.core.types import FloatArray

FRAME_SECONDS = 1.024
TOP_HZ = 500.0
BOTTOM_HZ = 5.0
"""Slower sway is an offset, not sound."""


class LowSpectrum:
    """Turn ``(samples, power)`` of ``MidRate`` into rows ``(n, 1 + bins)``: full-band mean square, then the bins.

    ``frequency_hz`` names the bins. Rows that touch lost audio are NaN.
    """

    def __init__(self, rate_hz: float, channels: int) -> None:
        length = 2 * round(FRAME_SECONDS * rate_hz / 2)
        self._window = get_window("hann", length)
        self._samples = Framer(length, length // 2, channels)
        self._powers = Framer(length, length // 2, 1)
        bins = int(TOP_HZ * length / rate_hz) + 1
        self.frequency_hz = np.arange(bins) * rate_hz / length
        self.hop_seconds = length / 2 / rate_hz
        self._scale = 2.0 / (length * (self._window**2).sum() * channels)

    def reset(self) -> None:
        """Forget the signal."""
        self._samples.reset()
        self._powers.reset()

    def push(self, samples: FloatArray, power: FloatArray) -> FloatArray:
        """Rows of the frames that end in this block."""
        frames = self._samples.push(samples)
        whole = self._powers.push(power[:, None])
        rows = np.empty((len(frames), 1 + len(self.frequency_hz)))
        for number, (frame, wide) in enumerate(zip(frames, whole, strict=True)):
            spectrum = rfft(frame * self._window[:, None], axis=0)[: len(self.frequency_hz)]
            rows[number, 0] = wide.mean()
            rows[number, 1:] = (spectrum.real**2 + spectrum.imag**2).sum(axis=1) * self._scale
        rows[:, 1:][:, self.frequency_hz < BOTTOM_HZ] = 0.0
        return rows


@dataclass(frozen=True)
class LowSpectra:
    """Rows of ``LowSpectrum`` with their bins named: ``full_power`` ``(n,)``, ``bins`` ``(n, len(frequency_hz))``."""

    full_power: FloatArray
    bins: FloatArray
    frequency_hz: FloatArray

    @classmethod
    def of(cls, rows: FloatArray, frequency_hz: FloatArray) -> LowSpectra:
        """Rows that hold no gap."""
        sound = rows[np.isfinite(rows[:, 0])]
        return cls(sound[:, 0], sound[:, 1:], frequency_hz)

    def band(self, low_hz: float, high_hz: float) -> FloatArray:
        """Power of each row from ``low_hz`` up to but not including ``high_hz``."""
        inside = (self.frequency_hz >= low_hz) & (self.frequency_hz < high_hz)
        return np.asarray(self.bins[:, inside].sum(axis=1))
