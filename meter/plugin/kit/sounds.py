"""Invented test sounds: music-like noise over a low tone, steady and stepped tones. The same at every run."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from dsp.core.signals import pink_noise, stepped_tone, tone
from dsp.core.types import FloatArray

TONE_HZ = 1000.0
"""A whole number of frames a period at 48, 96 and 192 kHz, and of periods a tick at any rate."""


@lru_cache(maxsize=32)
def music(seed: int, seconds: float, rate_hz: int, channels: int) -> FloatArray:
    """Pink noise of changing level over low notes, different in every channel; read-only."""
    rng = np.random.default_rng(seed)
    sound = pink_noise(rng, -26.0, seconds, rate_hz, channels)
    time_s = np.arange(len(sound)) / rate_hz
    swell = 10 ** (rng.uniform(-20.0, 0.0, (8, channels)) / 20.0)
    for channel in range(channels):
        sound[:, channel] *= np.interp(time_s, np.linspace(0.0, seconds, 8), swell[:, channel])
    beats = np.exp(-((time_s * 2.0) % 1.0) * 4.0)[:, None]
    sound += (
        beats * tone(rng.uniform(40.0, 110.0), -14.0, seconds, rate_hz, channels) * rng.uniform(0.4, 1.0, channels)
    )
    sound.flags.writeable = False
    return sound


@lru_cache(maxsize=32)
def steady(level_dbfs: float, seconds: float, rate_hz: int, channels: int) -> FloatArray:
    """A tone of 1 kHz, the same in every channel; read-only."""
    sound = tone(TONE_HZ, level_dbfs, seconds, rate_hz, channels)
    sound.flags.writeable = False
    return sound


@lru_cache(maxsize=32)
def stepped(steps: tuple[tuple[float, float], ...], rate_hz: int, channels: int) -> FloatArray:
    """The same tone in steps of ``(level_dbfs, seconds)``; read-only."""
    sound = stepped_tone(TONE_HZ, steps, rate_hz, channels)
    sound.flags.writeable = False
    return sound


def random_sizes(seed: int, most: int = 3000) -> list[int]:
    """Block sizes, half of them small."""
    rng = np.random.default_rng(seed)
    return [int(size) for size in np.concatenate([rng.integers(1, 50, 20), rng.integers(50, most, 20)])]
