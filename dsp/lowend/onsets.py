"""Beginnings of low notes, from the rise of low-band energy.

Signals are decimated audio ``(frames, channels)`` at a rate from about 800 Hz up, with 20 to 150 Hz in it; times are
in seconds from the first frame. The filters are symmetric in time, so an onset does not move with pitch.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from dsp.core.scipy_signal import find_peaks, oaconvolve, upfirdn
from dsp.core.types import FloatArray
from dsp.core.units import db_to_power

SMOOTHING_SECONDS = 0.0012
"""Standard deviation of the Gaussian low-pass: 3 dB down near 110 Hz, no ringing ahead of the attack."""
DRIFT_SECONDS = 0.012
"""Standard deviation of the Gaussian taken away: 3 dB down near 11 Hz, so that offset and sway are no onsets."""
LEAST_RATE_HZ = 2000.0
"""Attacks are placed between frames of half a millisecond."""
COMPARED_SECONDS = 0.03
"""Energy after is held against energy before over this long; one cycle at 33 Hz."""
RISE_DB = 4.0
"""A rise that counts (judgement): under it lie beats between two held tones."""
LOUD_RANGE_DB = 20.0
"""Onsets this far below the section's loud ones do not vote."""
SILENCE_DBFS = -60.0
APART_SECONDS = 0.08
"""Two onsets closer than this are one."""
HALF_CYCLE_SHARE = 0.4
"""Of ``COMPARED_SECONDS``: 12 ms, half a cycle at 41 Hz."""
CROSSING = 0.2
"""Share of the way from what still sounds to the new peak at which a note is said to begin."""


def low_band(signal: FloatArray, rate_hz: float) -> tuple[FloatArray, float]:
    """About 11 to 110 Hz of ``(frames, channels)`` without delay, at a whole part of the rate; and that rate."""
    factor = max(1, int(rate_hz / LEAST_RATE_HZ))
    smooth = thinned(signal, factor, SMOOTHING_SECONDS * rate_hz)
    wide = _gaussian(DRIFT_SECONDS * rate_hz / factor)
    return smooth - oaconvolve(smooth, wide[:, None], mode="same", axes=0), rate_hz / factor


def frame_power(signal: FloatArray) -> FloatArray:
    """Mean square over the channels of each frame, ``(frames,)``."""
    return np.asarray(np.einsum("fc,fc->f", signal, signal) / signal.shape[1])


def thinned(signal: FloatArray, factor: int, deviation_frames: float) -> FloatArray:
    """Every ``factor``-th frame of ``(frames, channels)``, smoothed by a Gaussian, without delay."""
    taps = _gaussian(deviation_frames, factor)
    first = len(taps) // 2 // factor
    return np.asarray(upfirdn(taps, signal, down=factor, axis=0)[first : first - (-len(signal) // factor)])


def _gaussian(deviation_frames: float, multiple: int = 1) -> FloatArray:
    """Taps that reach a multiple of ``multiple`` frames to each side."""
    reach = multiple * int(np.ceil(4.0 * deviation_frames / multiple))
    shape = np.exp(-0.5 * (np.arange(-reach, reach + 1) / deviation_frames) ** 2)
    return np.asarray(shape / shape.sum())


def onsets(signal: FloatArray, rate_hz: float) -> FloatArray:
    """Times in seconds at which low notes begin, in order; empty when nothing is loud enough."""
    if len(signal) < 4.0 * COMPARED_SECONDS * rate_hz:
        return np.empty(0)
    return onsets_in(*low_band(signal, rate_hz))


def onsets_in(band: FloatArray, rate_hz: float) -> FloatArray:
    """The same of what ``low_band`` gave, where that is needed for more than onsets."""
    if len(band) < 4.0 * COMPARED_SECONDS * rate_hz:
        return np.empty(0)
    span = round(COMPARED_SECONDS * rate_hz)
    power = frame_power(band)
    candidates = rises(power, span, round(APART_SECONDS * rate_hz))
    amplitude = np.sqrt(power)
    half_cycle = round(HALF_CYCLE_SHARE * span)
    # What the last half cycle held, at each frame: the filter's window is moved to end there.
    recent = maximum_filter1d(amplitude, half_cycle + 1, mode="constant", origin=half_cycle // 2)
    return np.array([_begin(amplitude, recent, int(frame), span) / rate_hz for frame in candidates])


def rises(power: FloatArray, span: int, apart: int) -> NDArray[Any]:
    """Frames at which the mean power of the next ``span`` most exceeds that of the last ``span``."""
    total = np.cumsum(power)
    running = np.concatenate([np.zeros(span + 1), total, np.full(span, total[-1])])
    sums = np.maximum(running[span:] - running[:-span], 0.0) / span
    before, after = sums[: len(power)], sums[span : span + len(power)]
    loud = loud_power(after)
    enough = after >= max(loud * db_to_power(-LOUD_RANGE_DB), db_to_power(SILENCE_DBFS))
    # What lies 40 dB under the loud level counts as silence before: a rise out of nothing is not endless.
    floor = max(loud * 1e-4, 1e-12)
    rise = np.zeros(len(power))
    rise[enough] = 10.0 * np.log10((after[enough] + floor) / (before[enough] + floor))
    frames, _ = find_peaks(np.concatenate([[0.0], rise, [0.0]]), height=RISE_DB, distance=max(apart, 1))
    return np.asarray(frames - 1)


def loud_power(power: FloatArray) -> float:
    """The section's loud level: the 95th percentile of what is above silence, 0 if nothing is."""
    audible = power[power > db_to_power(SILENCE_DBFS)]
    return float(np.percentile(audible, 95)) if len(audible) else 0.0


def _begin(amplitude: FloatArray, recent: FloatArray, frame: int, span: int) -> float:
    """Where the amplitude first passes ``CROSSING`` of the way to the new peak, in fractional frames.

    The way begins at the quietest moment just before: what the last half cycle still held there.
    """
    first, last = max(frame - span, 0), min(frame + span, len(amplitude))
    peak = float(amplitude[frame:last].max())
    before = recent[first : frame + 1]
    quietest = frame - int(np.argmin(before[::-1]))
    still_sounding = float(before.min())
    level = still_sounding + CROSSING * (peak - still_sounding)
    above = np.flatnonzero(amplitude[quietest:last] >= level)
    if still_sounding >= peak or not len(above):
        return float(frame)
    index = quietest + int(above[0])
    if index == 0:
        return 0.0
    low, high = amplitude[index - 1], amplitude[index]
    return float(index - 1 + np.clip((level - low) / (high - low) if high > low else 1.0, 0.0, 1.0))
