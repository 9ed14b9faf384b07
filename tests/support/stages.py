"""Stages whose behaviour is known in closed form, and sound to send through them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, rfft, rfftfreq

from dsp.core.signals import pink_noise
from dsp.core.types import FloatArray
from dsp.stage.alignment import line_up, overlapping
from dsp.stage.stage_stream import StageStream
from meter.stage.findings import StageFindings
from meter.stage.study import stage

RATE_HZ = 48_000


def phrases(seconds: float = 6.0, seed: int = 3, channels: int = 1) -> FloatArray:
    """Pink noise that moves between -20 and 0 dB twice a second."""
    rng = np.random.default_rng(seed)
    sound = pink_noise(rng, -20.0, seconds, RATE_HZ, channels)
    knots = np.arange(0.0, seconds + 0.5, 0.5)
    moves_db = np.interp(np.arange(len(sound)) / RATE_HZ, knots, rng.uniform(-20.0, 0.0, len(knots)))
    return np.asarray(sound * 10.0 ** (moves_db / 20.0)[:, None])


def delayed(sound: FloatArray, frames: float) -> FloatArray:
    """So many frames later, with a fraction, round the end to the start: exact for what repeats."""
    radians = 2.0 * np.pi * rfftfreq(len(sound))
    turned = rfft(sound, axis=0) * np.exp(-1j * radians * frames)[:, None]
    return np.asarray(irfft(turned, len(sound), axis=0))


def static_gain_db(level_db: FloatArray, threshold_db: float, ratio: float) -> FloatArray:
    """Gain of a hard-knee compressor: y = T + (x - T) / R above the threshold."""
    return np.minimum(0.0, (threshold_db - level_db) * (1.0 - 1.0 / ratio))


def one_pole(target_db: FloatArray, attack_seconds: float, recovery_seconds: float) -> FloatArray:
    """A gain in dB that goes to its target exponentially: down with the attack, up with the recovery."""
    fall, rise = (float(np.exp(-1.0 / (RATE_HZ * seconds))) for seconds in (attack_seconds, recovery_seconds))
    found, now = np.empty_like(target_db), float(target_db[0])
    for number, wanted in enumerate(target_db.tolist()):
        keep = fall if wanted < now else rise
        now = keep * now + (1.0 - keep) * wanted
        found[number] = now
    return found


def with_gain(sound: FloatArray, gain_db: FloatArray | float) -> FloatArray:
    factors: NDArray[np.float64] = np.atleast_1d(10.0 ** (np.asarray(gain_db) / 20.0))
    return sound * factors[:, None]


def studied(before: FloatArray, after: FloatArray, block: int = RATE_HZ) -> StageFindings:
    """Lined up and studied as the files are."""
    alignment = line_up(before, after, RATE_HZ // 2)
    first, second = overlapping(before, after, round(alignment.lag_frames))
    stream = StageStream(RATE_HZ, before.shape[1])
    for start in range(0, len(first), block):
        stream.push(first[start : start + block], second[start : start + block])
    return stage(stream.stretch(), alignment, RATE_HZ)
