"""Test signals: tones with steps and fades, bursts, sweeps, seeded noise.

All return ``(frames, channels)`` float64 with the same signal in every channel, except noise, whose channels are
independent. Levels of tones are **peak** levels in dBFS (a full-scale sine has 0); minus infinity is silence.
Levels of noise are rms levels in dB re 1.0. Lengths in seconds are rounded to the nearest frame.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dsp.core.types import FloatArray
from dsp.core.units import db_to_amplitude


def frame_count(seconds: float, rate_hz: int) -> int:
    """Frames in ``seconds``, to the nearest one."""
    return round(seconds * rate_hz)


def silence(seconds: float, rate_hz: int, channels: int = 1) -> FloatArray:
    """Digital silence."""
    return np.zeros((frame_count(seconds, rate_hz), channels))


def tone(
    frequency_hz: float,
    level_dbfs: float,
    seconds: float,
    rate_hz: int,
    channels: int = 1,
    phase_degrees: float = 0.0,
) -> FloatArray:
    """A sine; ``phase_degrees`` is the phase of its first frame."""
    cycles = frequency_hz / rate_hz * np.arange(frame_count(seconds, rate_hz))
    wave = np.sin(2.0 * np.pi * cycles + np.radians(phase_degrees))
    return in_channels(db_to_amplitude(level_dbfs) * wave, channels)


def stepped_tone(
    frequency_hz: float, steps: Sequence[tuple[float, float]], rate_hz: int, channels: int = 1
) -> FloatArray:
    """One sine without a break in phase whose level steps through ``(level_dbfs, seconds)`` pairs."""
    counts = [frame_count(seconds, rate_hz) for _, seconds in steps]
    gains = np.repeat([db_to_amplitude(level) for level, _ in steps], counts)
    wave = np.sin(2.0 * np.pi * frequency_hz / rate_hz * np.arange(sum(counts)))
    return in_channels(gains * wave, channels)


def burst(
    frequency_hz: float,
    level_dbfs: float,
    seconds: float,
    rate_hz: int,
    lead_seconds: float = 0.0,
    tail_seconds: float = 0.0,
    channels: int = 1,
) -> FloatArray:
    """A rectangular tone burst that starts at a zero crossing, with silence before and after."""
    return np.concatenate(
        [
            silence(lead_seconds, rate_hz, channels),
            tone(frequency_hz, level_dbfs, seconds, rate_hz, channels),
            silence(tail_seconds, rate_hz, channels),
        ]
    )


def sweep(
    start_hz: float, stop_hz: float, level_dbfs: float, seconds: float, rate_hz: int, channels: int = 1
) -> FloatArray:
    """A sine whose frequency moves from ``start_hz`` to ``stop_hz`` by equal ratios in equal times."""
    frames = frame_count(seconds, rate_hz)
    octaves = np.log(stop_hz / start_hz)
    position = np.arange(frames) / max(frames, 1)
    cycles = start_hz * seconds / octaves * (np.exp(position * octaves) - 1.0)
    return in_channels(db_to_amplitude(level_dbfs) * np.sin(2.0 * np.pi * cycles), channels)


def fade(block: FloatArray, seconds: float, rate_hz: int) -> FloatArray:
    """Return a copy of ``block`` with a linear fade of ``seconds`` at both ends."""
    frames = min(frame_count(seconds, rate_hz), len(block) // 2)
    ramp = np.ones(len(block))
    if frames:
        ramp[:frames] = np.arange(frames) / frames
        ramp[-frames:] = ramp[:frames][::-1]
    return block * ramp[:, None]


def white_noise(
    rng: np.random.Generator, level_db: float, seconds: float, rate_hz: int, channels: int = 1
) -> FloatArray:
    """Gaussian noise with a flat spectrum."""
    shape = (frame_count(seconds, rate_hz), channels)
    return db_to_amplitude(level_db) * rng.standard_normal(shape)


def pink_noise(
    rng: np.random.Generator,
    level_db: float,
    seconds: float,
    rate_hz: int,
    channels: int = 1,
    band_hz: tuple[float, float] | None = None,
) -> FloatArray:
    """Gaussian noise with equal power per octave, exact from 10 Hz up, scaled to its rms in each channel.

    ``band_hz`` leaves out everything outside (low, high) before scaling.
    """
    frames = frame_count(seconds, rate_hz)
    if not frames:
        return np.zeros((0, channels))
    spectrum = np.fft.rfft(rng.standard_normal((frames, channels)), axis=0)
    frequencies = np.fft.rfftfreq(frames, 1.0 / rate_hz)
    spectrum /= np.sqrt(np.maximum(frequencies, 10.0))[:, None]
    if band_hz is not None:
        spectrum[(frequencies < band_hz[0]) | (frequencies > band_hz[1])] = 0.0
    noise = np.fft.irfft(spectrum, frames, axis=0)
    rms = np.sqrt(np.mean(noise * noise, axis=0))
    return np.asarray(db_to_amplitude(level_db) * noise / rms)


def in_channels(wave: FloatArray, channels: int) -> FloatArray:
    """One wave ``(frames,)`` copied into ``channels`` columns."""
    return np.ascontiguousarray(np.broadcast_to(wave[:, None], (len(wave), channels)))
