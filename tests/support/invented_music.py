"""Invented music by arithmetic: seeded notes and strokes on a grid of sixteenths, for what needs bars that differ."""

from __future__ import annotations

import numpy as np

from dsp.core.types import FloatArray

NOTE_SECONDS = 0.6


def invented_music(
    seed: int, seconds: float, rate_hz: int, tempo_bpm: float = 104.0, drum_seed: int = 0
) -> FloatArray:
    """``(frames, 2)`` at about -20 dB re 1.0: bass, plucked notes and strokes.

    Two pieces of one ``drum_seed`` and tempo share every stroke and differ in their notes.
    """
    notes, drums = np.random.default_rng(seed), np.random.default_rng(1000 + drum_seed)
    step = 60.0 / tempo_bpm / 4.0
    bar = drums.random(16) < 0.4
    wave = np.zeros((round((seconds + NOTE_SECONDS) * rate_hz), 2))
    for number in range(int(seconds / step)):
        start = round(number * step * rate_hz)
        if bar[number % 16]:
            _add(wave, start, _thump(rate_hz), 0.5)
        if number % 8 == 4:
            _add(wave, start, _hiss(drums, rate_hz), 0.5)
        if number % 4 == 0:
            _add(wave, start, _note(41.2 * 2.0 ** (notes.integers(0, 12) / 12.0), rate_hz, 2), 0.5)
        if notes.random() < 0.55:
            _add(wave, start, _note(220.0 * 2.0 ** (notes.integers(0, 24) / 12.0), rate_hz, 12), notes.random())
    return 0.2 * wave[: round(seconds * rate_hz)]


def _add(wave: FloatArray, start: int, sound: FloatArray, place: float) -> None:
    sound = sound[: len(wave) - start]
    wave[start : start + len(sound)] += sound[:, None] * [1.0 - place, place]


def _decay(seconds: float, tau_seconds: float, rate_hz: int) -> tuple[FloatArray, FloatArray]:
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return time_s, np.exp(-time_s / tau_seconds)


def _note(hz: float, rate_hz: int, partials: int) -> FloatArray:
    time_s, envelope = _decay(NOTE_SECONDS, 0.2, rate_hz)
    parts = [np.sin(2.0 * np.pi * hz * k * time_s) / k for k in range(1, partials + 1) if hz * k < rate_hz / 2]
    return np.asarray(envelope * np.sum(parts, axis=0))


def _thump(rate_hz: int) -> FloatArray:
    time_s, envelope = _decay(0.3, 0.08, rate_hz)
    return np.asarray(2.0 * envelope * np.sin(2.0 * np.pi * (50.0 * time_s + 3.0 * (1.0 - np.exp(-time_s / 0.03)))))


def _hiss(rng: np.random.Generator, rate_hz: int) -> FloatArray:
    _, envelope = _decay(0.3, 0.05, rate_hz)
    return np.asarray(envelope * rng.standard_normal(len(envelope)) * 0.5)
