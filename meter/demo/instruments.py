"""Instruments made of partials: plucked strings, the drum's skin, the organ's reeds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meter.demo.partials import LN_1000, Sound, decaying, gain, ramp_in, touch
from meter.demo.parts import RATE_HZ


@dataclass(frozen=True)
class String:
    """Parameters of a kind of plucked string.

    Partial n is weighted by ``|sin(pi n pluck_at)| / n**slope``, softened above ``softness_hz``, and falls by
    60 dB in 1 / (1 / ``t60_seconds`` + ``loss`` (f / 1 kHz)²) seconds. ``detune_cents`` separates the two strings of
    a course. ``body_hz`` are broad resonances. ``touch_db`` and ``touch_hz`` are the noise of the finger.
    """

    t60_seconds: float
    loss: float
    pluck_at: float
    slope: float
    softness_hz: float
    highest_hz: float
    stiffness: float
    detune_cents: float
    attack_seconds: float
    body_hz: tuple[float, ...]
    touch_db: float
    touch_hz: tuple[float, float]


LUTE = String(
    t60_seconds=4.5,
    loss=0.12,
    pluck_at=0.19,
    slope=0.8,
    softness_hz=5000.0,
    highest_hz=14_000.0,
    stiffness=3e-5,
    detune_cents=1.6,
    attack_seconds=0.0025,
    body_hz=(112.0, 215.0, 430.0),
    touch_db=-27.0,
    touch_hz=(1500.0, 9000.0),
)
DOUBLE_BASS = String(
    t60_seconds=6.0,
    loss=4.0,
    pluck_at=0.46,
    slope=0.9,
    softness_hz=700.0,
    highest_hz=3500.0,
    stiffness=6e-5,
    detune_cents=0.0,
    attack_seconds=0.006,
    body_hz=(98.0, 180.0),
    touch_db=-28.0,
    touch_hz=(120.0, 1600.0),
)
"""Plucked near the middle of the string, so the even partials are weak."""

BODY_GAIN, BODY_Q = 0.8, 6.0
TOUCH_SECONDS = 0.004


def plucked_string(kind: String, f0_hz: float, seconds: float, random: np.random.Generator) -> Sound:
    """One note with a peak near 1, left to ring for ``seconds``."""
    number = np.arange(1, int(kind.highest_hz / f0_hz) + 1)
    hz = number * f0_hz * np.sqrt(1.0 + kind.stiffness * number**2)
    amplitudes = np.abs(np.sin(np.pi * number * kind.pluck_at)) / number**kind.slope
    amplitudes *= _body(hz, kind.body_hz) / np.sqrt(1.0 + (hz / kind.softness_hz) ** 2)
    t60 = 1.0 / (1.0 / kind.t60_seconds + kind.loss * (hz / 1000.0) ** 2)
    frames = round(seconds * RATE_HZ)
    sound = np.zeros(frames)
    for cents in sorted({-kind.detune_cents / 2, kind.detune_cents / 2}):
        phases = random.uniform(-0.6, 0.6, len(hz))
        sound += decaying(hz * 2.0 ** (cents / 1200.0), amplitudes, phases, t60, frames)
    ramp_in(sound, kind.attack_seconds)
    sound /= np.abs(sound).max()
    finger = touch(random, *kind.touch_hz, TOUCH_SECONDS)
    sound[: len(finger)] += gain(kind.touch_db) * finger
    return sound


def _body(hz: Sound, resonances_hz: tuple[float, ...]) -> Sound:
    response = np.ones(len(hz))
    for centre in resonances_hz:
        response += BODY_GAIN / (1.0 + (BODY_Q * (hz / centre - centre / hz)) ** 2)
    return response


DRUM_HZ = 42.0
DRUM_T60_SECONDS = 4.0
DRUM_FALL, DRUM_FALL_SECONDS = 0.22, 0.05
"""A stroke stretches the skin: the pitch begins this share higher, and comes down with this time constant."""
SKIN_MODES = (
    # ratio to the lowest, amplitude, T60 in seconds
    (1.0000, 1.00, DRUM_T60_SECONDS),
    (1.5933, 0.05, 1.3),
    (2.1355, 0.05, 0.8),
    (2.2954, 0.30, 0.9),
    (2.6531, 0.04, 0.6),
    (3.5985, 0.14, 0.45),
    (4.9034, 0.07, 0.30),
)
"""Ratios of an ideal round membrane, from the zeros of the Bessel functions; struck near the middle."""
FELT_DB, FELT_HZ, FELT_SECONDS = -19.0, (90.0, 900.0), 0.014


def drum_stroke(random: np.random.Generator) -> Sound:
    """One stroke on the low drum, its lowest mode with an amplitude of 1, until it has fallen by 90 dB."""
    frames = round(1.5 * DRUM_T60_SECONDS * RATE_HZ)
    time = np.arange(frames) / RATE_HZ
    bent = time + DRUM_FALL * DRUM_FALL_SECONDS * (1.0 - np.exp(-time / DRUM_FALL_SECONDS))
    sound = np.zeros(frames)
    for ratio, amplitude, t60 in SKIN_MODES:
        live = round(1.5 * t60 * RATE_HZ)
        force = 1.0 if ratio == 1.0 else random.uniform(0.9, 1.1)
        wave = np.sin(2 * np.pi * DRUM_HZ * ratio * bent[:live]) * np.exp(-LN_1000 / t60 * time[:live])
        sound[:live] += amplitude * force * wave
    felt = touch(random, *FELT_HZ, FELT_SECONDS)
    sound[: len(felt)] += gain(FELT_DB) * felt
    return ramp_in(sound, 0.003)


REED_HIGHEST_HZ = 9000.0
REED_SOFTNESS_HZ = 1500.0


def reed(f0_hz: float, frames: int, random: np.random.Generator) -> Sound:
    """One key held for ``frames``: two ranks a little apart, which beat slowly, and a soft octave."""
    beat_hz = 0.55 + 0.25 * np.log2(f0_hz / 65.4)
    sound = np.zeros(frames)
    for rank_hz, level in ((f0_hz, 1.0), (f0_hz + beat_hz, 0.7), (2.0 * f0_hz - 0.4, 0.22)):
        number = np.arange(1, int(REED_HIGHEST_HZ / rank_hz) + 1)
        hz = number * rank_hz
        amplitudes = level * np.where(number % 2 == 0, 0.75, 1.0) / number**0.8
        amplitudes /= np.sqrt(1.0 + (hz / REED_SOFTNESS_HZ) ** 2)
        phases = random.uniform(0.0, 2 * np.pi) - np.pi * number * (number - 1) / len(hz)  # keeps the peaks low
        sound += decaying(hz, amplitudes, phases, np.full(len(hz), np.inf), frames)
    return sound
