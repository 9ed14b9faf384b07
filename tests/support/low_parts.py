"""Invented low parts with closed-form truths: decaying sines, held notes, and places to put them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np

from dsp.core.types import FloatArray
from dsp.lowend.low_part import LowPart
from dsp.lowend.part_sound import PartSound

RATE_HZ = 48_000
Sound = Callable[[FloatArray], FloatArray]


def resonator(frequency_hz: float, quality: float, amplitude: float = 0.5) -> Sound:
    """A struck resonance: decay e^(-pi f0 t / Q), so T60 = 2.19881 Q / f0 (closed form)."""
    return lambda t: amplitude * np.sin(2 * np.pi * frequency_hz * t) * np.exp(-np.pi * frequency_hz * t / quality)


def held(
    frequency_hz: float, seconds: float, partials: Sequence[float] = (1.0, 0.5, 0.25), level: float = 0.3
) -> Sound:
    """A note with partials, 3 ms up and 20 ms down."""

    def sound(t: FloatArray) -> FloatArray:
        wave = sum(a * np.sin(2 * np.pi * frequency_hz * (n + 1) * t) for n, a in enumerate(partials))
        return np.asarray(level * wave * np.minimum(t / 0.003, 1.0) * np.clip((seconds - t) / 0.02, 0.0, 1.0))

    return sound


def place(notes: Iterable[tuple[float, Sound]], seconds: float, rate_hz: int = RATE_HZ) -> FloatArray:
    """``(frames, 1)``: each sound beginning at its time, to a fraction of a frame, and cut off after 3 s."""
    out = np.zeros(round(seconds * rate_hz))
    for start, sound in notes:
        first = int(np.ceil(start * rate_hz))
        frames = np.arange(first, min(first + 3 * rate_hz, len(out)))
        out[frames] += sound(frames / rate_hz - start)
    return out[:, None]


def repeated(sound: Sound, count: int, every: float, first: float = 0.1) -> list[tuple[float, Sound]]:
    """One sound ``count`` times, ``every`` seconds."""
    return [(first + number * every, sound) for number in range(count)]


def tone(frequency_hz: float, rms_dbfs: float, frames: int, rate_hz: int = RATE_HZ) -> FloatArray:
    """A sine of a plain rms level (dB re 1), ``(frames, 1)``."""
    amplitude = np.sqrt(2.0) * 10.0 ** (rms_dbfs / 20.0)
    return np.asarray(amplitude * np.sin(2 * np.pi * frequency_hz / rate_hz * np.arange(frames)))[:, None]


def low_part(signal: FloatArray, rate_hz: int = RATE_HZ) -> PartSound:
    """The whole signal as a part."""
    part = LowPart(rate_hz, signal.shape[1], keep_seconds=None)
    part.push(signal)
    return part.sound()


def cents(measured_hz: float, true_hz: float) -> float:
    """Distance in cents, 1200 to the octave."""
    return float(1200.0 * np.log2(measured_hz / true_hz))
