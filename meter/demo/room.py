"""Reverberation of a random stone chapel: early reflections and a dense tail with faster decay of the highs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from dsp.core.scipy_signal import butter, sosfilt
from meter.demo.partials import LN_1000, Sound
from meter.demo.parts import RATE_HZ

Feed = NDArray[np.float32]

PRE_DELAY_SECONDS = 0.024
HIGH_PASS_HZ = 180.0
"""High-pass of the room, 24 dB per octave, so that it adds no low end."""
LOW_PASS_HZ = 8000.0
TAIL_BANDS = (
    # edges in Hz, and the time in which the band falls by 60 dB
    (180.0, 360.0, 3.0),
    (360.0, 720.0, 2.8),
    (720.0, 1440.0, 2.3),
    (1440.0, 2880.0, 1.7),
    (2880.0, 5760.0, 1.1),
    (5760.0, 11520.0, 0.6),
)
TAIL_SECONDS, TAIL_RISE_SECONDS, TAIL_FADE_SECONDS = 3.2, 0.03, 0.4
TAIL_TILT_HZ = 2500.0
REFLECTIONS, REFLECTIONS_SECONDS, REFLECTION_GAIN = 14, 0.075, 0.30


def impulse_responses(random: np.random.Generator) -> tuple[Sound, Sound]:
    """Return the left and right response, independent, so that the room is wide. Energy of each is about 1."""
    return _one_side(random), _one_side(random)


def _one_side(random: np.random.Generator) -> Sound:
    sound = _tail(random)
    for at in sorted(random.uniform(0.0, REFLECTIONS_SECONDS, REFLECTIONS)):
        strength = REFLECTION_GAIN * np.exp(-2.0 * at / REFLECTIONS_SECONDS)
        sound[round(at * RATE_HZ)] += strength * random.choice((-1.0, 1.0))
    soft = butter(1, LOW_PASS_HZ, fs=RATE_HZ, output="sos")
    firm = butter(4, HIGH_PASS_HZ, "highpass", fs=RATE_HZ, output="sos")
    return np.concatenate([np.zeros(round(PRE_DELAY_SECONDS * RATE_HZ)), sosfilt(firm, sosfilt(soft, sound))])


def _tail(random: np.random.Generator) -> Sound:
    frames = round(TAIL_SECONDS * RATE_HZ)
    time = np.arange(frames) / RATE_HZ
    noise = random.standard_normal(frames)
    tail = np.zeros(frames)
    for low_hz, high_hz, t60 in TAIL_BANDS:
        band = butter(2, (low_hz, high_hz), "bandpass", fs=RATE_HZ, output="sos")
        tail += sosfilt(band, noise) * np.exp(-LN_1000 * time / t60) / np.sqrt(1.0 + (low_hz / TAIL_TILT_HZ) ** 2)
    tail *= 1.0 - np.exp(-time / TAIL_RISE_SECONDS)
    tail *= np.clip((TAIL_SECONDS - time) / TAIL_FADE_SECONDS, 0.0, 1.0)
    return np.asarray(tail / np.sqrt(np.sum(tail**2)))


def reverberate(send: Feed, response: Sound) -> Feed:
    """Convolve one column circularly: the tail past the last frame wraps to the first. In blocks, to save memory."""
    size = next_fast_len(4 * len(response), real=True)
    step = size - len(response) + 1
    spectrum = rfft(response.astype(np.float32), size)
    wet = np.zeros(len(send), dtype=np.float32)
    for start in range(0, len(send), step):
        piece = send[start : start + step]
        add_round(wet, start, irfft(rfft(piece, size) * spectrum, size)[: len(piece) + len(response) - 1])
    return wet


def add_round(column: Feed, start: int, sound: Feed | Sound) -> None:
    """Add ``sound`` to ``column`` from frame ``start`` on; past the end it wraps to the start."""
    done = 0
    while done < len(sound):
        at = (start + done) % len(column)
        count = min(len(sound) - done, len(column) - at)
        column[at : at + count] += sound[done : done + count]
        done += count
