"""Octave and third-octave filters in time, class 1 of IEC 61260-1:2014: the reference for every other route.

Each band is a Butterworth band-pass of six poles, narrowed so that its effective bandwidth (5.12) is that of the
ideal band. Low bands run at rates halved as often as possible; where the upper edge comes near half the rate, the
rate is doubled once, because the bilinear design would bend the skirts there.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import floor, log2, pi, sin

import numpy as np

from dsp.core.scipy_signal import butter, firwin, kaiserord, lfilter, sosfreqz
from dsp.core.sos import SosFilter
from dsp.core.types import FloatArray
from dsp.spectrum.fractional_octaves import Band

PROTOTYPE_ORDER = 3
BANDWIDTH_EXCESS = pi / (2 * PROTOTYPE_ORDER) / sin(pi / (2 * PROTOTYPE_ORDER))
"""Effective over -3 dB bandwidth of a Butterworth filter: 1.0472 for three poles."""

HIGHEST_EDGE = 0.25
"""Highest upper edge of a band, as a share of its own rate."""

USABLE_EDGE = 0.47
"""Highest upper edge of a band, as a share of the stream's rate: above it there is no room for the skirt."""

STOP_DB = 90.0


def butterworth_power(frequencies_hz: FloatArray, item: Band) -> FloatArray:
    """Power response of the analogue filter of a band, which the digital filters approximate."""
    with np.errstate(divide="ignore"):
        ratio = frequencies_hz / item.mid_hz
        detuning = BANDWIDTH_EXCESS * (ratio - 1.0 / ratio) * item.mid_hz / (item.high_hz - item.low_hz)
    return np.asarray(1.0 / (1.0 + detuning ** (2 * PROTOTYPE_ORDER)))


def usable(item: Band, rate_hz: float) -> bool:
    """True when a class 1 filter of this band can be built at this rate."""
    return item.high_hz <= USABLE_EDGE * rate_hz


class _Low:
    """Linear-phase low-pass with state."""

    def __init__(self, pass_edge: float, stop_edge: float, gain: float, channels: int) -> None:
        taps, beta = kaiserord(STOP_DB, 2.0 * (stop_edge - pass_edge))
        self._taps = gain * np.asarray(firwin(taps | 1, pass_edge + stop_edge, window=("kaiser", beta)))
        self._state = np.zeros((len(self._taps) - 1, channels))

    def process(self, block: FloatArray) -> FloatArray:
        if not len(block):
            return block
        filtered, self._state = lfilter(self._taps, 1.0, block, axis=0, zi=self._state)
        return np.asarray(filtered)

    def power(self, cycles_per_sample: FloatArray) -> FloatArray:
        return np.asarray(np.abs(np.polyval(self._taps, np.exp(2j * np.pi * cycles_per_sample))) ** 2)

    def reset(self) -> None:
        self._state[:] = 0.0


class _Halver:
    """Every second sample of the low-passed stream."""

    def __init__(self, channels: int) -> None:
        self._low = _Low(HIGHEST_EDGE / 2.0, 0.5 - HIGHEST_EDGE / 2.0, 1.0, channels)
        self._phase = 0

    def process(self, block: FloatArray) -> FloatArray:
        filtered = self._low.process(block)[self._phase :: 2]
        self._phase = (self._phase + len(block)) % 2
        return filtered

    def power(self, cycles_per_sample: FloatArray) -> FloatArray:
        return self._low.power(cycles_per_sample)

    def reset(self) -> None:
        self._low.reset()
        self._phase = 0


class _Doubler:
    """Doubles the rate; images are filtered out."""

    def __init__(self, channels: int) -> None:
        self._low = _Low(USABLE_EDGE / 2.0, 0.5 - USABLE_EDGE / 2.0, 2.0, channels)

    def process(self, block: FloatArray) -> FloatArray:
        spread = np.zeros((2 * len(block), block.shape[1]))
        spread[::2] = block
        return self._low.process(spread)

    def power(self, cycles_per_sample: FloatArray) -> FloatArray:
        """Power gain at the doubled rate, 1.0 in the pass band."""
        return self._low.power(cycles_per_sample) / 4.0

    def reset(self) -> None:
        self._low.reset()


class BandBank:
    """Filters a stream into bands; state lives from block to block.

    Raises ValueError, naming the band, when one cannot be built at ``rate_hz``. ``rates_hz`` gives the rate at
    each band's signal.
    """

    def __init__(self, rate_hz: int, channels: int, bands: Sequence[Band]) -> None:
        for item in bands:
            if not usable(item, rate_hz):
                raise ValueError(
                    f"The band at {item.nominal_hz:g} Hz reaches {item.high_hz:.0f} Hz, "
                    f"too near to half of the rate of {rate_hz} Hz; leave it out."
                )
        self.rate_hz = rate_hz
        self.bands = tuple(bands)
        self._halvings = [floor(log2(HIGHEST_EDGE * rate_hz / item.high_hz)) for item in bands]
        self.rates_hz = tuple(rate_hz / 2.0**halvings for halvings in self._halvings)
        self._sos = [_design(item, rate) for item, rate in zip(bands, self.rates_hz, strict=True)]
        self._filters = [SosFilter(sos, channels) for sos in self._sos]
        self._halvers = [_Halver(channels) for _ in range(max(self._halvings, default=0))]
        self._doubler = _Doubler(channels)

    def process(self, block: FloatArray) -> list[FloatArray]:
        """Band signals of ``(frames, channels)``, one array per band at the band's rate."""
        streams = {0: block}
        if -1 in self._halvings:
            streams[-1] = self._doubler.process(block)
        for level, halver in enumerate(self._halvers):
            streams[level + 1] = halver.process(streams[level])
        return [item.process(streams[level]) for item, level in zip(self._filters, self._halvings, strict=True)]

    def reset(self) -> None:
        """Forget the signal."""
        self._doubler.reset()
        for halver in self._halvers:
            halver.reset()
        for item in self._filters:
            item.reset()

    def power_response(self, index: int, frequencies_hz: FloatArray) -> FloatArray:
        """Power of band ``index`` for a steady sine of power 1 at each frequency below half the rate."""
        level = self._halvings[index]
        cycles = np.asarray(frequencies_hz, dtype=np.float64) / self.rate_hz
        if level < 0:
            direct, image = cycles / 2.0, 0.5 - cycles / 2.0
            return self._through_doubler(index, direct) + self._through_doubler(index, image)
        power = np.ones_like(cycles)
        for halver in self._halvers[:level]:
            power = power * halver.power(cycles)
            cycles = 2.0 * cycles
            cycles = np.abs(cycles - np.round(cycles))
        return power * self._filter_power(index, cycles)

    def _through_doubler(self, index: int, cycles: FloatArray) -> FloatArray:
        return self._doubler.power(cycles) * self._filter_power(index, cycles)

    def _filter_power(self, index: int, cycles: FloatArray) -> FloatArray:
        _, response = sosfreqz(self._sos[index], 2.0 * np.pi * cycles)
        return np.asarray(np.abs(response) ** 2)


class BandPower:
    """Mean power of each band of a stream, ``(bands, channels)``; NaN before the first sample."""

    def __init__(self, bank: BandBank, channels: int) -> None:
        self._bank = bank
        self._sums = np.zeros((len(bank.bands), channels))
        self._counts = np.zeros(len(bank.bands))

    def process(self, block: FloatArray) -> None:
        """Take ``(frames, channels)``."""
        for index, signal in enumerate(self._bank.process(block)):
            self._sums[index] += (signal**2).sum(axis=0)
            self._counts[index] += len(signal)

    def forget_levels(self) -> None:
        """Restart the mean without resetting the filters."""
        self._sums[:] = 0.0
        self._counts[:] = 0.0

    def mean_power(self) -> FloatArray:
        """Mean square of each band and channel so far."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(self._sums / self._counts[:, None])


def _design(item: Band, rate_hz: float) -> FloatArray:
    half = (item.high_hz - item.low_hz) / item.mid_hz / BANDWIDTH_EXCESS / 2.0
    edge = half + np.sqrt(1.0 + half**2)
    edges = [item.mid_hz / edge, item.mid_hz * edge]
    return np.asarray(butter(PROTOTYPE_ORDER, edges, "bandpass", fs=rate_hz, output="sos"))
