"""Live spectrum on one scale: the lows in steps of 1 Hz, and third octaves from 20 Hz up.

Levels are re a full-scale sine (AES17) and are means of power over the channels, (L^2 + R^2) / 2: the sine in both
channels reads 0 dBFS, in one of two -3.01.

* Lows: the stream at about 1 kHz, 600 samples at a time (about 0.6 s) under a Hann taper. ``fine`` is an amplitude
  at every hertz from 20 to 240: sines 5 Hz apart are resolved; one half-way between two steps reads 0.5 dB low, and
  noise reads by the taper's bandwidth of about 2.5 Hz. The third octaves up to 200 Hz are sums of power.
* Highs: the last three hops (about 0.12 s) under a Hann taper; overlapped, every frame has the same weight.

A third octave is the power under the response of the six-pole Butterworth filter of ``filter_bank``, so it reads
as that class 1 filter does (IEC 61260-1:2014). A band that half the rate cuts has the power below the cut.
"""

from __future__ import annotations

import numpy as np
from scipy.fft import rfft

from dsp.core.decimation import Decimator, low_rate_factor
from dsp.core.hops import HopBuffer
from dsp.core.scipy_signal import hann
from dsp.core.taper import coherent_gain
from dsp.core.types import FloatArray
from dsp.spectrum.filter_bank import butterworth_power
from dsp.spectrum.fractional_octaves import Band, bands_between

THIRD_OCTAVES: tuple[Band, ...] = bands_between(20.0, 20_000.0, 3)
LOW_THIRD_OCTAVES = 11
"""Bands from 20 to 200 Hz come from the lows."""

FINE_HZ: FloatArray = np.arange(20.0, 241.0)

HOP_LOW_SAMPLES = 40
"""A hop is 40 samples at the low rate: about 40 ms, 25 readings a second."""

LOW_HOPS = 15
HIGH_HOPS = 3

TIME_CONSTANTS_SECONDS = {"quick": 0.125, "steady": 1.0, "slow": 3.0}
"""Exponential averaging. Quick and steady are F and S of IEC 61672-1 (5.8); slow is our own."""

HOLD_FALL_DB_PER_SECOND = 1.0
"""Less than the fall of the slowest average, 1.45 dB per second."""

SHARPENINGS = 2
"""Iterations that remove the taper's smear from the lowest bands, which are hardly wider than its main lobe."""

NOTHING = 1e-20
"""Power below -200 dBFS is the tail of an average and reads as silence."""


class FineLows:
    """Power at every hertz of ``FINE_HZ`` and in the low third octaves, from the stream at about 1 kHz."""

    def __init__(self, low_rate_hz: float, channels: int) -> None:
        length = LOW_HOPS * HOP_LOW_SAMPLES
        self._taper = hann(length, sym=False)
        self._size = round(low_rate_hz)
        self._samples = np.zeros((length, channels))
        bins_hz = np.arange(self._size // 2 + 1, dtype=np.float64) * low_rate_hz / self._size
        self._fine_bins = FINE_HZ.astype(int)
        self._fine_scale = (2.0 / (length * coherent_gain(self._taper))) ** 2 / channels
        self._bands = _sharpened(_band_weights(THIRD_OCTAVES[:LOW_THIRD_OCTAVES], bins_hz), self._taper, self._size)
        self._band_scale = 4.0 / (self._size * np.sum(self._taper**2)) / channels

    def push(self, samples: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Take ``(HOP_LOW_SAMPLES, channels)``; returns fine powers and band powers of the last 0.6 s."""
        self._samples = np.concatenate([self._samples[len(samples) :], samples])
        power = _bin_power(self._samples, self._taper, self._size)
        return self._fine_scale * power[self._fine_bins], self._band_scale * (self._bands @ power)


class BroadHighs:
    """Power in the third octaves from 250 Hz up, from ``HIGH_HOPS`` hops of the stream."""

    def __init__(self, rate_hz: int, frames: int, channels: int) -> None:
        self._taper = hann(frames, sym=False)
        bins_hz = np.arange(frames // 2 + 1, dtype=np.float64) * rate_hz / frames
        bands = THIRD_OCTAVES[LOW_THIRD_OCTAVES:]
        self._used = int(np.searchsorted(bins_hz, 2.0 * bands[-1].high_hz))
        self._bands = _band_weights(bands, bins_hz[: self._used])
        self._scale = 4.0 / (frames * np.sum(self._taper**2)) / channels

    def read(self, frames: FloatArray) -> FloatArray:
        """Band powers of ``(frames, channels)``."""
        power = _bin_power(frames, self._taper, len(frames))[: self._used]
        return np.asarray(self._scale * (self._bands @ power))


class DecayingMean:
    """Exponential mean of powers over elapsed hops; lost hops fade the past and add nothing."""

    def __init__(self, width: int) -> None:
        self._sum = np.zeros(width)
        self._weight = 0.0

    def push(self, power: FloatArray, keep: float) -> None:
        """Add one hop; ``keep`` is the share of the past that stays, below 1."""
        self._sum = keep * self._sum + (1.0 - keep) * power
        self._weight = keep * self._weight + (1.0 - keep)

    def fade(self, keep: float) -> None:
        """Fade the past without a new hop."""
        self._sum *= keep
        self._weight *= keep

    def value(self) -> FloatArray:
        """The mean, NaN before the first hop."""
        if self._weight < NOTHING:
            return np.full(len(self._sum), np.nan)
        mean = self._sum / self._weight
        mean[mean < NOTHING] = 0.0
        return np.asarray(mean)


class HeldPart:
    """A mean and its held maximum, which falls slowly; the mean is NaN while its window holds a gap."""

    def __init__(self, width: int) -> None:
        self._mean = DecayingMean(width)
        self.now = np.full(width, np.nan)
        self.hold = np.full(width, np.nan)

    def push(self, power: FloatArray, keep: float, fall: float) -> None:
        """Add one hop; one with a NaN or infinity counts as lost."""
        if not np.isfinite(power).all():
            self.miss(keep, fall)
            return
        self._mean.push(power, keep)
        self.now = self._mean.value()
        self.hold = np.fmax(self.hold * fall, self.now)

    def miss(self, keep: float, fall: float) -> None:
        """Account for lost time; both arguments are for all of it."""
        self._mean.fade(keep)
        self.now = np.full_like(self.now, np.nan)
        self.hold = self.hold * fall


class MeanSince:
    """Plain mean of the powers of hops since a mark, from the first window that begins after it.

    Hops that were lost count for nothing. ``before`` hops still have sound from before the mark in their window.
    """

    def __init__(self, width: int, before: int) -> None:
        self._sum = np.zeros(width)
        self._hops = 0
        self._before = before

    def push(self, power: FloatArray) -> None:
        """Add one hop; one with a NaN or infinity counts as lost."""
        if self._before:
            self._before -= 1
        elif np.isfinite(power).all():
            self._sum += power
            self._hops += 1

    def value(self) -> FloatArray:
        """The mean, NaN before the first hop."""
        return self._sum / self._hops if self._hops else np.full(len(self._sum), np.nan)


class LiveSpectrum:
    """The live spectrum of a stream ``(frames, channels)``.

    Powers are 1.0 for a full-scale sine, NaN until a window has filled (0.6 s for the lows, 0.12 s for the rest) and
    after lost frames. Bands above half the rate are NaN.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        factor = low_rate_factor(rate_hz)
        self._decimator = Decimator(rate_hz, factor)
        self.hop_frames = HOP_LOW_SAMPLES * factor
        self.hop_seconds = self.hop_frames / rate_hz
        self._channels = channels
        self._new_frames = self._decimator.history_frames + self.hop_frames
        self._high_frames = HIGH_HOPS * self.hop_frames
        self._low_frames = LOW_HOPS * self.hop_frames + self._decimator.history_frames
        longest = max(self._new_frames, self._high_frames)
        self._hops = HopBuffer(self.hop_frames, longest - self.hop_frames, channels)
        self._low = FineLows(self._decimator.low_rate_hz, channels)
        self._high = BroadHighs(rate_hz, self._high_frames, channels)
        self._above = np.array([band.mid_hz >= rate_hz / 2 for band in THIRD_OCTAVES])
        self._fall = float(10.0 ** (-HOLD_FALL_DB_PER_SECOND * self.hop_seconds / 10.0))
        self.set_time_constant(TIME_CONSTANTS_SECONDS["steady"])
        self.reset()

    def set_time_constant(self, seconds: float) -> None:
        """Set the averaging, from the next hop on."""
        self._keep = float(np.exp(-self.hop_seconds / seconds))

    def reset(self) -> None:
        """Forget the signal, keep the averaging."""
        self._hops.reset()
        self._fine = HeldPart(len(FINE_HZ))
        self._low_bands = HeldPart(LOW_THIRD_OCTAVES)
        self._high_bands = HeldPart(len(THIRD_OCTAVES) - LOW_THIRD_OCTAVES)
        self._parts = (self._fine, self._low_bands, self._high_bands)
        self._begin_since(0, 0)

    def mark(self) -> None:
        """The mean since the mark begins here."""
        self._begin_since(LOW_HOPS, HIGH_HOPS)

    def _begin_since(self, low: int, high: int) -> None:
        self._low_since = MeanSince(LOW_THIRD_OCTAVES, low)
        self._high_since = MeanSince(len(THIRD_OCTAVES) - LOW_THIRD_OCTAVES, high)

    def process(self, block: FloatArray) -> int:
        """Take ``(frames, channels)``; returns how many hops ended in it."""
        ended = 0
        for segment in self._hops.cut(block):
            ended += 1
            if segment is None:
                self._miss(1, self._parts)
            else:
                self._read_low(segment[-self._new_frames :])
                self._read_high(segment[-self._high_frames :])
        return ended

    def skip(self, frames: int) -> int:
        """Account for lost frames; returns how many hops ended in them."""
        lost = self._hops.skip(frames)
        self._miss(lost, self._parts)
        return lost

    @property
    def third_octave(self) -> FloatArray:
        """Mean power of each of ``THIRD_OCTAVES``."""
        return self._blank_above(np.concatenate([self._low_bands.now, self._high_bands.now]))

    @property
    def third_octave_mark(self) -> FloatArray:
        """Mean power of each of ``THIRD_OCTAVES`` since the mark, without averaging in time."""
        return self._blank_above(np.concatenate([self._low_since.value(), self._high_since.value()]))

    @property
    def third_octave_hold(self) -> FloatArray:
        """Held maximum of ``third_octave``, falling slowly; kept over gaps."""
        return self._blank_above(np.concatenate([self._low_bands.hold, self._high_bands.hold]))

    @property
    def fine(self) -> FloatArray:
        """Power of a sine at each of ``FINE_HZ``."""
        return self._fine.now

    @property
    def fine_hold(self) -> FloatArray:
        """Held maximum of ``fine``, falling slowly; kept over gaps."""
        return self._fine.hold

    def _read_low(self, segment: FloatArray) -> None:
        fine, bands = self._low.push(self._decimator.apply(segment))
        if self._hops.unbroken_frames < self._low_frames:
            self._miss(1, (self._fine, self._low_bands))
            return
        self._fine.push(fine, self._keep, self._fall)
        self._low_bands.push(bands, self._keep, self._fall)
        self._low_since.push(bands)

    def _read_high(self, segment: FloatArray) -> None:
        if self._hops.unbroken_frames < self._high_frames:
            self._miss(1, (self._high_bands,))
        else:
            power = self._high.read(segment)
            self._high_bands.push(power, self._keep, self._fall)
            self._high_since.push(power)

    def _miss(self, hops: int, parts: tuple[HeldPart, ...]) -> None:
        for part in parts:
            if hops:
                part.miss(self._keep**hops, self._fall**hops)

    def _blank_above(self, power: FloatArray) -> FloatArray:
        power[self._above] = np.nan
        return power


def _bin_power(frames: FloatArray, taper: FloatArray, size: int) -> FloatArray:
    """Summed over channels, |X|^2 of each bin of the tapered frames, zeros appended up to ``size``."""
    transform = rfft(np.multiply(frames.T, taper, order="C"), size, axis=1)
    return np.asarray((transform.real**2 + transform.imag**2).sum(axis=0))


def _band_weights(bands: tuple[Band, ...], bins_hz: FloatArray) -> FloatArray:
    """``(bands, bins)``: the filter's power response at each bin."""
    with np.errstate(divide="ignore"):
        return np.stack([butterworth_power(bins_hz, item) for item in bands])


def _sharpened(weights: FloatArray, taper: FloatArray, size: int) -> FloatArray:
    """``(bands, bins)`` weights that undo the taper's smear: a sine reads as ``weights`` without it.

    Van Cittert's iteration, clipped at zero.
    """
    smear = np.abs(np.fft.fft(taper, size)) ** 2
    smear_transform = np.fft.rfft(smear / smear.sum()).real
    mirrored = weights[:, 1 : (size + 1) // 2][:, ::-1]
    wanted = np.concatenate([weights, mirrored], axis=1)
    result = wanted
    for _ in range(SHARPENINGS):
        smeared = np.fft.irfft(np.fft.rfft(result, axis=1) * smear_transform, size, axis=1)
        result = np.maximum(0.0, result + wanted - smeared)
    return np.ascontiguousarray(result[:, : weights.shape[1]])
