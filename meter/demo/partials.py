"""Sounds made of partials: decay, ramps, the noise of a touch.

A ``Sound`` is one column of float64 at 48 kHz. Random values come from the generator in the arguments.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.core.scipy_signal import butter, sosfilt
from meter.demo.parts import RATE_HZ

Sound = NDArray[np.float64]
ROW_FRAMES = 256
SMALL_PRODUCT = 262_144
"""Matrix products up to this many multiplications run in one thread (OpenBLAS): beside a busy audio program more
threads cost more than they gain."""
LN_1000 = float(np.log(1000.0))
"""A fall by 60 dB in amplitude: T60 = ln(1000) times the time constant."""


def gain(level_db: float) -> float:
    """Factor of a level in decibels."""
    return float(10.0 ** (level_db / 20.0))


def decaying(hz: Sound, amplitudes: Sound, phases: Sound, t60_seconds: Sound, frames: int) -> Sound:
    """Sum of decaying sines, one entry per partial in each array; a T60 may be infinite.

    exp(a (n + m)) = exp(a n) exp(a m), so the whole sound is the product of two small matrices.
    """
    exponents = (2j * np.pi * hz - LN_1000 / t60_seconds) / RATE_HZ
    group = max(1, SMALL_PRODUCT // (ROW_FRAMES * 2 * len(hz)))
    groups = -(-frames // (ROW_FRAMES * group))
    slow = np.exp(np.outer(np.arange(groups * group) * ROW_FRAMES, exponents)).reshape(groups, group, len(hz))
    quick = np.exp(np.outer(exponents, np.arange(ROW_FRAMES))) * (amplitudes * np.exp(1j * phases))[:, None]
    # Contiguous factors: matmul does not use BLAS for the strided views of a complex array.
    rows = np.concatenate([slow.imag, slow.real], axis=-1)
    return np.asarray(rows @ np.concatenate([quick.real, quick.imag])).reshape(-1)[:frames]


def ramp_in(sound: Sound, seconds: float) -> Sound:
    """Fade ``sound`` in by a raised cosine, in place, and return it."""
    frames = min(len(sound), round(seconds * RATE_HZ))
    sound[:frames] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(frames) / max(1, frames))
    return sound


def damped(sound: Sound, from_frame: int, seconds: float) -> Sound:
    """Return a copy faded out by a raised cosine of ``seconds`` from ``from_frame`` on, or as late as it fits."""
    frames = round(seconds * RATE_HZ)
    start = max(0, min(from_frame, len(sound) - frames))
    kept = sound[: start + frames].copy()
    kept[start:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(len(kept) - start) / frames)
    return kept


def touch(random: np.random.Generator, low_hz: float, high_hz: float, seconds: float) -> Sound:
    """A short band of noise, as of a finger or a felt; its rms is about 1 at the start."""
    band = butter(2, (low_hz, high_hz), "bandpass", fs=RATE_HZ, output="sos")
    frames = round(6 * seconds * RATE_HZ)
    noise = sosfilt(band, random.standard_normal(frames)) / np.sqrt(2 * (high_hz - low_hz) / RATE_HZ)
    return ramp_in(np.asarray(noise * np.exp(-np.arange(frames) / (seconds * RATE_HZ))), 0.001)


def noise_loop(
    random: np.random.Generator, seconds: int, hz: tuple[float, ...], level_db: tuple[float, ...]
) -> Sound:
    """Noise that loops after ``seconds``, rms 1, with a spectrum through the given points."""
    frames = seconds * RATE_HZ
    lines = np.arange(frames // 2 + 1) / seconds
    shape = 10.0 ** (np.interp(np.log(np.maximum(lines, 1.0)), np.log(hz), level_db, -200.0, -200.0) / 20.0)
    sound = np.fft.irfft(shape * np.exp(2j * np.pi * random.random(len(lines))), frames)
    return np.asarray(sound / np.sqrt(np.mean(sound**2)))
