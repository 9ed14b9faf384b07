"""Mains hum in a part, and the part without it.

Hum is a tone at a multiple of 50 or 60 Hz that keeps its phase from end to end and sounds on between the notes. A
note at such a pitch begins and ends: short windows between the notes lack it. Signals are audio at about 4 kHz.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from dsp.core.scipy_signal import get_window
from dsp.core.types import FloatArray
from dsp.core.units import db_to_amplitude, power_to_db

MAINS_HZ = (50.0, 60.0)
HIGHEST_HZ = 500.0
LONG_SECONDS, SHORT_SECONDS = 0.5, 0.128
LEAST_SECONDS = 4.0
MOST_OFF_HZ = 0.3
"""Mains keep within 0.2 Hz (common practice, no source); notes of A4 = 440 Hz lie over 0.9 Hz off."""
COHERENT = 0.7
"""Of the windows' phases, 1 being all alike; noise stays under 0.45 in four seconds."""
PAUSE_PERCENTILE = 10.0
PAUSE_DB = -6.0
"""Between notes there is at least this much of it, against its usual level; a drum there has fallen further."""
WANDER_WINDOWS = 17
"""Phase and level may wander; the median of so many windows follows them and lets notes pass."""
BESIDE_HZ, STANDS_OUT = 3.0, 2.0
"""A tone has this much over what lies so far beside it, in amplitude; the skirt of a note has not."""
LEAST_DBFS = -75.0


@dataclass(frozen=True)
class Hum:
    """The strongest tone of the hum in hertz, NaN without any, and the level of all, a full-scale sine 0 dB."""

    frequency_hz: float
    level_dbfs: float


NO_HUM = Hum(float("nan"), -np.inf)


def without_hum(signal: FloatArray, rate_hz: float) -> tuple[FloatArray, Hum]:
    """``(samples, channels)`` without its hum, and what the hum was; the signal itself where there is none."""
    if len(signal) < LEAST_SECONDS * rate_hz:
        return signal, NO_HUM
    lines = _lines()
    long, middles = _amplitudes(signal, rate_hz, LONG_SECONDS)
    off_hz, found = _steady(long, LONG_SECONDS)
    usual = np.median(np.abs(long), axis=0)
    for away_hz in (-BESIDE_HZ, BESIDE_HZ):
        beside, _ = _amplitudes(signal, rate_hz, LONG_SECONDS, away_hz)
        found &= usual >= STANDS_OUT * np.median(np.abs(beside), axis=0)
    short, _ = _amplitudes(signal, rate_hz, SHORT_SECONDS)
    in_pauses = np.percentile(np.abs(short), PAUSE_PERCENTILE, axis=0)
    found &= (in_pauses >= usual * db_to_amplitude(PAUSE_DB)) & (usual > db_to_amplitude(LEAST_DBFS))
    if not found.any():
        return signal, NO_HUM
    power = np.where(found, usual**2, 0.0).mean(axis=1)
    cleaned = signal.copy()
    at = np.arange(len(signal))
    for line, channel in np.argwhere(found):
        turned = long[:, line, channel] * np.exp(-2j * np.pi * off_hz[line, channel] * middles / rate_hz)
        size = min(WANDER_WINDOWS, len(turned) // 2 * 2 - 1)
        smooth = [median_filter(part, size, mode="nearest") for part in (turned.real, turned.imag)]
        real, imaginary = (np.interp(at, middles, part) for part in smooth)
        phase = 2.0 * np.pi * (lines[line] + off_hz[line, channel]) / rate_hz * at
        cleaned[:, channel] -= real * np.cos(phase) - imaginary * np.sin(phase)
    return cleaned, Hum(float(lines[int(np.argmax(power))]), power_to_db(float(power.sum())))


@lru_cache(maxsize=1)
def _lines() -> FloatArray:
    """Multiples of the mains frequencies, in hertz."""
    multiples = [np.arange(mains, HIGHEST_HZ, mains) for mains in MAINS_HZ]
    return np.unique(np.concatenate(multiples))


def _amplitudes(
    signal: FloatArray, rate_hz: float, seconds: float, away_hz: float = 0.0
) -> tuple[NDArray[Any], FloatArray]:
    """Complex amplitudes ``(windows, lines, channels)`` of each line, phase at sample 0, and the windows' middles."""
    length = round(seconds * rate_hz)
    pieces = sliding_window_view(signal, length, axis=0)[::length]
    starts = np.arange(len(pieces)) * length
    turning, frequency = _turning(rate_hz, length, away_hz), _lines() + away_hz
    amplitudes = np.einsum("wcl,lf->wfc", pieces, turning, optimize=True)
    since_start = np.exp(-2j * np.pi * frequency / rate_hz * starts[:, None])
    return np.asarray(amplitudes * since_start[:, :, None]), np.asarray(starts + length / 2.0)


@lru_cache(maxsize=16)
def _turning(rate_hz: float, length: int, away_hz: float) -> NDArray[Any]:
    window = get_window("hann", length)
    phase = 2.0 * np.pi * (_lines() + away_hz) / rate_hz * np.arange(length)[:, None]
    return np.asarray(2.0 / window.sum() * window[:, None] * np.exp(-1j * phase))


def _steady(amplitudes: NDArray[Any], hop_seconds: float) -> tuple[FloatArray, NDArray[Any]]:
    """How far each line lies off its frequency, in hertz, and whether its phase holds; ``(lines, channels)`` each."""
    turns = amplitudes / np.maximum(np.abs(amplitudes), 1e-30)
    size = 8 * len(turns)
    offs = np.fft.fftfreq(size, hop_seconds)
    agreement = np.abs(np.fft.fft(turns, size, axis=0)) / len(turns)
    agreement[np.abs(offs) > MOST_OFF_HZ] = 0.0
    best = np.argmax(agreement, axis=0)
    return offs[best], np.asarray(agreement.max(axis=0) >= COHERENT)
