"""A wordless singing voice: a glottal wave with vibrato and glides, through the formants of two vowels."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.ndimage import gaussian_filter1d

from dsp.core.scipy_signal import sosfilt
from meter.demo.partials import Sound, gain
from meter.demo.parts import RATE_HZ
from meter.demo.score import A4_HZ, A4_NOTE, Note

Formants = tuple[tuple[float, float, float], ...]
OPEN_VOWEL: Formants = (
    # centre in Hz, bandwidth in Hz, level in dB for a low female voice; chosen by ear, no source
    (760.0, 110.0, 0.0),
    (1150.0, 220.0, -4.0),
    (2650.0, 420.0, -7.5),
    (3600.0, 420.0, -9.0),
    (5200.0, 1200.0, -10.0),
)
CLOSED_VOWEL: Formants = (
    (380.0, 110.0, 0.0),
    (780.0, 130.0, -9.0),
    (2550.0, 320.0, -18.0),
    (3500.0, 360.0, -22.0),
    (5200.0, 1000.0, -24.0),
)
VIBRATO_HZ, VIBRATO_CENTS = 5.1, 28.0
VIBRATO_AFTER_SECONDS, VIBRATO_GROWS_SECONDS = 0.35, 0.6
WANDER_CENTS = 60.0
GLIDE_SECONDS = 0.035
RISE_SECONDS, FALL_SECONDS = 0.22, 0.35
BREATH = 0.04
CONTROL_FRAMES = 240
"""Pitch and loudness are set every 5 ms and interpolated linearly."""
CONTROL_HZ = RATE_HZ / CONTROL_FRAMES
TABLE_FRAMES = 1 << 16
HIGHEST_HZ = 9000.0


def sing(phrase: Sequence[Note], random: np.random.Generator) -> Sound:
    """One breath of notes without rests; starts on the first note's frame, rms about 1."""
    first = phrase[0].frame
    frames = phrase[-1].frame + phrase[-1].frames - first
    cents, level = _gesture(phrase, random)
    points, at = np.arange(len(cents)) * CONTROL_FRAMES, np.arange(frames)
    hz = np.interp(at, points, A4_HZ * 2.0 ** (cents / 1200.0))
    turn = np.cumsum(hz / RATE_HZ) % 1.0
    source = _glottal_wave(float(hz.max()))[(turn * TABLE_FRAMES).astype(np.int64) % TABLE_FRAMES]
    source += BREATH * random.standard_normal(frames)
    lowest_hz = float(hz.min())
    opened = _formants(source, OPEN_VOWEL, lowest_hz)
    closed = _formants(source, CLOSED_VOWEL, lowest_hz)
    sound = closed + np.interp(at, points, _opening(len(cents))) * (opened - closed)
    sound /= np.sqrt(np.mean(sound**2))
    return np.asarray(sound * np.interp(at, points, level))


def _gesture(phrase: Sequence[Note], random: np.random.Generator) -> tuple[Sound, Sound]:
    """Pitch in cents from A4, and amplitude: one value for each control point."""
    first = phrase[0].frame
    time = np.arange((phrase[-1].frame + phrase[-1].frames - first) // CONTROL_FRAMES + 2) / CONTROL_HZ
    cents, depth, level = np.zeros(len(time)), np.zeros(len(time)), np.zeros(len(time))
    for note in phrase:
        begin, length = (note.frame - first) / RATE_HZ, note.frames / RATE_HZ
        inside = time >= begin
        since = time[inside] - begin
        cents[inside] = 100.0 * (note.pitch - A4_NOTE)
        depth[inside] = VIBRATO_CENTS * np.clip((since - VIBRATO_AFTER_SECONDS) / VIBRATO_GROWS_SECONDS, 0.0, 1.0)
        level[inside] = gain(note.level_db) * (0.8 + 0.2 * np.sin(np.pi * np.clip(since / length, 0.0, 1.0)))
    wander = gaussian_filter1d(random.standard_normal(len(time)), 0.12 * CONTROL_HZ, mode="nearest")
    vibrato = np.sin(2 * np.pi * VIBRATO_HZ * time + 3.0 * np.cumsum(wander) / CONTROL_HZ)
    cents = gaussian_filter1d(cents, GLIDE_SECONDS * CONTROL_HZ, mode="nearest")
    level = gaussian_filter1d(level, 0.05 * CONTROL_HZ, mode="nearest")
    return cents + depth * vibrato + WANDER_CENTS * wander, level * _breath_shape(time)


def _breath_shape(time: Sound) -> Sound:
    """Envelope of one breath, zero at both ends."""
    left = time[-2] - time
    rise = np.sin(0.5 * np.pi * np.clip(time / RISE_SECONDS, 0.0, 1.0)) ** 2
    fall = np.sin(0.5 * np.pi * np.clip(left / FALL_SECONDS, 0.0, 1.0)) ** 2
    return np.asarray(rise * fall)


def _opening(count: int) -> Sound:
    """From the closed vowel to the open one and half back, over one breath."""
    return np.asarray(0.15 + 0.75 * np.sin(np.pi * np.linspace(0.0, 0.85, count)) ** 1.5)


def _glottal_wave(highest_hz: float) -> Sound:
    """One period with as many partials as stay below 9 kHz at the highest pitch of the breath."""
    number = np.arange(1, int(HIGHEST_HZ / highest_hz) + 1)
    lines = np.zeros(TABLE_FRAMES // 2 + 1, dtype=np.complex128)
    lines[number] = -0.5j * TABLE_FRAMES / number
    return np.asarray(np.fft.irfft(lines, TABLE_FRAMES))


def _formants(source: Sound, vowel: Formants, f0_hz: float) -> Sound:
    """Parallel resonators; the lowest follows a pitch above it, as singers do."""
    total = np.zeros(len(source))
    for index, (centre_hz, width_hz, level_db) in enumerate(vowel):
        tuned_hz = max(centre_hz, 1.05 * f0_hz) if index == 0 else centre_hz
        radius = np.exp(-np.pi * width_hz / RATE_HZ)
        sign = (
            -1.0 if index % 2 else 1.0
        )  # opposite polarity of neighbours, otherwise they cancel between their peaks
        peak = sign * (1.0 - radius) * gain(level_db)
        angle = 2 * np.pi * tuned_hz / RATE_HZ
        section = np.array([[peak, 0.0, -peak, 1.0, -2.0 * radius * np.cos(angle), radius**2]])
        total += sosfilt(section, source)
    return total
