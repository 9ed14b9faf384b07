"""A tone test of a stage: tones at three levels to play through it, and what comes back.

Each section is a steady tone of whole hertz, read over whole seconds, so that every harmonic falls on a bin of its
own. Distortion is THD re the fundamental (THD_F). Two tones of 60 Hz and 7 kHz, four to one, give intermodulation as
the sidebands of the upper tone re that tone (SMPTE RP 120, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.fft import rfft

from dsp.core.lag import find_lag
from dsp.core.types import FloatArray
from dsp.core.units import db_to_amplitude

TONES_HZ = (100, 1000)
LEVELS_DBFS = (-24.0, -18.0, -12.0)
"""Peak levels: a usual alignment, and 6 dB either way."""
LOW_HZ, HIGH_HZ, LOW_SHARE = 60, 7000, 0.8
SIDEBANDS = 4
HARMONICS = range(2, 8)
TONE_SECONDS, READ_SECONDS = 3, 1
"""What is read ends half a second before the tone does, when a slow stage has settled."""
REST_SECONDS = 0.5
FADE_SECONDS = 0.02
NOTHING_DB = -150.0
LEAST_LEVEL_DB = -80.0
LEAST_DISTORTION = 3e-5
"""Below 0.003 % it is the rounding of the file (judgement)."""


@dataclass(frozen=True)
class Section:
    """One steady stretch of the test: ``hz`` is 0 for the two tones. ``start`` is its first frame."""

    hz: int
    level_dbfs: float
    start: int
    frames: int


@dataclass(frozen=True)
class Harmonics:
    """What came back of one tone: ``gain_db`` of its fundamental, harmonics 2 to 7 in dB re it, THD in percent.

    ``thd_percent`` takes all harmonics below half the rate. ``odd_over_even_db`` compares their powers, NaN where
    there is next to nothing.
    """

    hz: int
    level_dbfs: float
    gain_db: float
    thd_percent: float
    harmonics_db: tuple[float, ...]
    odd_over_even_db: float


@dataclass(frozen=True)
class Intermodulation:
    """Sidebands of the upper of two tones re that tone, in percent."""

    level_dbfs: float
    percent: float


def sections(rate_hz: int) -> list[Section]:
    """All sections in order: the tones at three levels, then the two tones at three levels."""
    length, rest = TONE_SECONDS * rate_hz, round(REST_SECONDS * rate_hz)
    kinds = [(hz, level) for hz in (*TONES_HZ, 0) for level in LEVELS_DBFS]
    return [Section(hz, level, rest + n * (length + rest), length) for n, (hz, level) in enumerate(kinds)]


def tone_test_signal(rate_hz: int) -> FloatArray:
    """The whole test, mono, ``(frames, 1)``; silence first, between and last."""
    plan = sections(rate_hz)
    signal = np.zeros(plan[-1].start + plan[-1].frames + round(REST_SECONDS * rate_hz))
    fade = np.sin(np.linspace(0.0, np.pi / 2.0, round(FADE_SECONDS * rate_hz))) ** 2
    for section in plan:
        tone = _tone(section, rate_hz)
        tone[: len(fade)] *= fade
        tone[-len(fade) :] *= fade[::-1]
        signal[section.start : section.start + section.frames] = tone
    return signal[:, None]


def _tone(section: Section, rate_hz: int) -> FloatArray:
    seconds = np.arange(section.frames) / rate_hz
    peak = db_to_amplitude(section.level_dbfs)
    if section.hz:
        return np.asarray(peak * np.sin(2.0 * np.pi * section.hz * seconds))
    low, high = (np.sin(2.0 * np.pi * hz * seconds) for hz in (LOW_HZ, HIGH_HZ))
    return np.asarray(peak * (LOW_SHARE * low + (1.0 - LOW_SHARE) * high))


def where_it_begins(returned: FloatArray, rate_hz: int) -> int | None:
    """Frames by which the test is late in ``returned`` ``(frames,)``, or None where it is not found.

    By the movement of its level in steps of 10 ms, which no distortion hides.
    """
    step = rate_hz // 100
    levels = [_levels(sound, step) for sound in (tone_test_signal(rate_hz)[:, 0], returned)]
    size = max(len(level) for level in levels)
    first, second = (np.pad(level - level.mean(), (0, size - len(level))) for level in levels)
    lag = find_lag(first[:, None], second[:, None], size - 1)
    if not lag.sure or lag.gain < 0.0:
        return None
    return max(0, round(lag.frames) * step)


def _levels(sound: FloatArray, step: int) -> FloatArray:
    whole = sound[: len(sound) // step * step].reshape(-1, step)
    return np.asarray(np.maximum(20.0 * np.log10(np.sqrt((whole**2).mean(axis=1)) + 1e-9), LEAST_LEVEL_DB))


def read_tones(returned: FloatArray, begins: int, rate_hz: int) -> tuple[list[Harmonics], list[Intermodulation]]:
    """Harmonics of the single tones and intermodulation of the two tones, in ``returned`` ``(frames,)``.

    Sections that are not whole are left out.
    """
    tones, pairs = [], []
    for section, spectrum in _spectra(returned, begins, rate_hz):
        if section.hz:
            tones.append(_harmonics(section, spectrum))
        else:
            sides = [spectrum[HIGH_HZ + side * n * LOW_HZ] for n in range(1, SIDEBANDS + 1) for side in (-1, 1)]
            high = float(spectrum[HIGH_HZ])
            pairs.append(Intermodulation(section.level_dbfs, 100.0 * math.hypot(*sides) / high if high else math.nan))
    return tones, pairs


def _spectra(returned: FloatArray, begins: int, rate_hz: int) -> Iterator[tuple[Section, FloatArray]]:
    """Amplitudes at whole hertz of one second of each section."""
    read, spare = READ_SECONDS * rate_hz, rate_hz // 2
    for section in sections(rate_hz):
        stop = begins + section.start + section.frames - spare
        if stop <= len(returned):
            yield section, np.abs(rfft(returned[stop - read : stop])) * 2.0 / read


def _harmonics(section: Section, spectrum: FloatArray) -> Harmonics:
    fundamental = float(spectrum[section.hz])
    if not fundamental > db_to_amplitude(LEAST_LEVEL_DB):
        return Harmonics(section.hz, section.level_dbfs, -math.inf, math.nan, (), math.nan)
    multiples = spectrum[2 * section.hz :: section.hz] / fundamental
    # Index 0 is the second harmonic.
    even, odd = float((multiples[0::2] ** 2).sum()), float((multiples[1::2] ** 2).sum())
    return Harmonics(
        section.hz,
        section.level_dbfs,
        20.0 * math.log10(fundamental / db_to_amplitude(section.level_dbfs)),
        100.0 * math.sqrt(even + odd),
        tuple(_db(float(multiples[number - 2])) for number in HARMONICS if number - 2 < len(multiples)),
        _db(math.sqrt(odd)) - _db(math.sqrt(even)) if even + odd > LEAST_DISTORTION**2 else math.nan,
    )


def _db(amplitude: float) -> float:
    return max(NOTHING_DB, 20.0 * math.log10(amplitude)) if amplitude > 0.0 else NOTHING_DB
