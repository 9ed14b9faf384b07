"""How a low part dies away, and how much of it is left when the next low note begins.

In the octave band round the fundamental, each hit's fall is a straight line through its level from 5 to 25 dB under
its peak (the evaluation range of ISO 3382-2 for T20, used on hits). What is stated is the time from the peak to
20 dB below it. Signals are decimated audio ``(frames, channels)``; times are seconds, readings milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.ndimage import uniform_filter1d

from dsp.core.scipy_signal import butter, sosfilt
from dsp.core.types import FloatArray
from dsp.core.units import db_to_power, power_to_db
from dsp.lowend.onsets import APART_SECONDS, frame_power, loud_power, rises, thinned

TARGET_DB = 20.0
FIT_FROM_DB = 5.0
FIT_TO_DB = 25.0
SHORTEST_FIT_DB = 10.0
"""A decay cut off by the next hit before it has fallen this far is not used."""
FRAMES_PER_CYCLE = 16
"""Of the fundamental: enough for its envelope, a quarter of the work."""
HITS_NEEDED = 8
LOUD_RANGE_DB = 20.0
NOTHING_LEFT_DB = -60.0
"""No smaller overhang is stated."""
PEAK_WITHIN_SECONDS = 0.15
NEXT_EVENT_AFTER_SECONDS = 0.05
"""A low note within this time of the hit sounds with it; the overhang is measured up to the next one."""
ROUNDING_CYCLES = 1.5
"""The filter rounds a sharp peak off by about this much; a longer wait before the fall is a held note."""


@dataclass(frozen=True)
class Decay:
    """Decay of a part's hits. NaN with a ``reason`` while there is too little to go by.

    ``to_minus_20_ms`` is the median over ``hits``, ``spread_ms`` the distance from their 10th to their 90th
    percentile, ``filter_floor_ms`` what the analysis itself would show for a click. ``overhang_db`` is the median
    level, against each hit's peak, of what still sounds when the next low note begins ``gap_ms`` later; -60 at least.
    Hits whose spread is as large as their median have no common decay: then only ``spread_ms`` is given.
    """

    hits: int
    to_minus_20_ms: float
    spread_ms: float
    filter_floor_ms: float
    overhang_db: float
    gap_ms: float
    reason: str = ""


@dataclass(frozen=True)
class _Hit:
    onset_seconds: float
    peak: int
    fall_seconds: float


def half_beat_ms(tempo_bpm: float) -> float:
    """Half a beat: 30,000 over the tempo. Raises ValueError for a tempo that is not a positive number."""
    if not (np.isfinite(tempo_bpm) and tempo_bpm > 0.0):
        raise ValueError(f"A tempo of {tempo_bpm:g} beats per minute has no half beat.")
    return 30_000.0 / tempo_bpm


def decay(signal: FloatArray, rate_hz: float, fundamental_hz: float, next_notes: FloatArray | None = None) -> Decay:
    """Measure the hits of one part.

    ``next_notes`` are the times at which low notes begin anywhere in the song (seconds); without them the part's own
    next hit is the next low note. The octave band must fit under half the rate, else ValueError.
    """
    if not 0.0 < fundamental_hz * np.sqrt(2.0) < rate_hz / 2.0:
        raise ValueError(f"The octave round {fundamental_hz:g} Hz does not fit a rate of {rate_hz:g} Hz.")
    floor = filter_floor_ms(rate_hz, fundamental_hz)
    if not len(signal):
        return Decay(0, np.nan, np.nan, floor, np.nan, np.nan, "no hits in this octave")
    factor = max(1, int(rate_hz / (FRAMES_PER_CYCLE * fundamental_hz)))
    signal, rate_hz = thinned(signal - signal.mean(axis=0), factor, float(factor)), rate_hz / factor
    envelope = octave_envelope(signal, rate_hz, fundamental_hz)
    hits = _find_hits(envelope, rate_hz, fundamental_hz)
    begins = np.array([hit.onset_seconds for hit in hits]) if next_notes is None else next_notes
    overhang, gap = _overhang(envelope, rate_hz, fundamental_hz, hits, begins)
    falls = np.array([1000.0 * hit.fall_seconds for hit in hits if np.isfinite(hit.fall_seconds)])
    if len(falls) < HITS_NEEDED:
        reason = f"{len(falls)} of {HITS_NEEDED} clear hits so far" if len(hits) else "no hits in this octave"
        return Decay(len(falls), np.nan, np.nan, floor, overhang, gap, reason)
    low, median, high = np.percentile(falls, [10, 50, 90])
    spread = float(high - low)
    if spread >= median:
        reason = f"its {len(falls)} hits differ too much: the spread, {spread:.0f} ms, is as large as the decay"
        return Decay(len(falls), np.nan, spread, floor, overhang, gap, reason)
    overhang += _overhang_error_db(rate_hz, fundamental_hz, float(median) / 1000.0, gap / 1000.0)
    overhang = max(overhang, NOTHING_LEFT_DB) if np.isfinite(overhang) else overhang
    return Decay(len(falls), float(median), spread, floor, overhang, gap)


def octave_envelope(signal: FloatArray, rate_hz: float, fundamental_hz: float) -> FloatArray:
    """Power in the octave round the fundamental, averaged over one cycle centred on each frame, ``(frames,)``."""
    power = frame_power(np.asarray(sosfilt(_octave_filter(rate_hz, fundamental_hz), signal, axis=0)))
    cycle = max(1, round(rate_hz / fundamental_hz))
    return np.asarray(np.maximum(uniform_filter1d(power, cycle, mode="constant"), 0.0))


@lru_cache(maxsize=64)
def _octave_filter(rate_hz: float, fundamental_hz: float) -> FloatArray:
    edges = [fundamental_hz / np.sqrt(2.0), fundamental_hz * np.sqrt(2.0)]
    return np.asarray(butter(2, edges, btype="bandpass", fs=rate_hz, output="sos"))


@lru_cache(maxsize=64)
def filter_floor_ms(rate_hz: float, fundamental_hz: float) -> float:
    """What ``decay`` would state for a click: no part can be shown to ring shorter than this."""
    click = np.zeros((int(rate_hz * 20.0 / fundamental_hz) + 2, 1))
    click[0] = 1.0
    envelope = octave_envelope(click, rate_hz, fundamental_hz)
    return 1000.0 * _fall_seconds(envelope[int(np.argmax(envelope)) :], rate_hz, fundamental_hz)


def _find_hits(envelope: FloatArray, rate_hz: float, fundamental_hz: float) -> list[_Hit]:
    span = max(2, round(rate_hz / fundamental_hz))
    begins = rises(envelope, span, max(round(APART_SECONDS * rate_hz), span))
    loud = loud_power(envelope) * db_to_power(-LOUD_RANGE_DB)
    hits = []
    for number, begin in enumerate(begins):
        end = int(begins[number + 1]) - span if number + 1 < len(begins) else len(envelope)
        reach = min(int(begin) + round(PEAK_WITHIN_SECONDS * rate_hz), end)
        if reach <= begin:
            continue
        peak = int(begin) + int(np.argmax(envelope[int(begin) : reach]))
        if envelope[peak] >= loud:
            fall = _fall_seconds(envelope[peak:end], rate_hz, fundamental_hz)
            hits.append(_Hit(float(begin) / rate_hz, peak, fall))
    return hits


def _fall_seconds(envelope: FloatArray, rate_hz: float, fundamental_hz: float) -> float:
    """Time to 20 dB under the first value, NaN when the fall cannot be followed far enough."""
    if len(envelope) < 4 or not envelope[0] > 0.0:
        return float("nan")
    level = power_to_db(np.maximum(envelope / envelope[0], 1e-12))
    below = np.flatnonzero(level <= -FIT_FROM_DB)
    if not len(below):
        return float("nan")
    first = int(below[0])
    beyond = np.flatnonzero(level <= -FIT_TO_DB)
    last = int(beyond[0]) if len(beyond) else first + int(np.argmin(level[first:]))
    if last - first < 3 or level[first] - level[last] < (SHORTEST_FIT_DB if not len(beyond) else 0.0):
        return float("nan")
    slope, start = np.polyfit(np.arange(first, last + 1) / rate_hz, level[first : last + 1], 1)
    if slope >= 0.0:
        return float("nan")
    held = max(float(start / -slope) - ROUNDING_CYCLES / fundamental_hz, 0.0)
    return float(TARGET_DB / -slope) + held


def _overhang(
    envelope: FloatArray, rate_hz: float, fundamental_hz: float, hits: list[_Hit], begins: FloatArray
) -> tuple[float, float]:
    """Median level left at the next low note against the hit's peak, and the median wait; NaN without such notes."""
    half_cycle = 0.5 / fundamental_hz
    levels, gaps = [], []
    for hit in hits:
        later = begins[begins > hit.onset_seconds + NEXT_EVENT_AFTER_SECONDS]
        if not len(later):
            continue
        frame = int((later[0] - half_cycle) * rate_hz)
        if hit.peak < frame < len(envelope):
            levels.append(power_to_db(float(envelope[frame] / envelope[hit.peak])))
            gaps.append(1000.0 * float(later[0] - hit.onset_seconds))
    if not levels:
        return float("nan"), float("nan")
    return float(np.median(levels)), float(np.median(gaps))


def _overhang_error_db(rate_hz: float, fundamental_hz: float, fall_seconds: float, gap_seconds: float) -> float:
    """What to add to the level read at the next note: the filter is late and rounds the peak off.

    Found by reading a struck resonance of the same fall, of which the truth is known.
    """
    if not np.isfinite(gap_seconds):
        return 0.0
    t = np.arange(int((gap_seconds + fall_seconds) * rate_hz) + 2) / rate_hz
    struck = np.sin(2.0 * np.pi * fundamental_hz * t) * 10.0 ** (-TARGET_DB * t / fall_seconds / 20.0)
    envelope = octave_envelope(struck[:, None], rate_hz, fundamental_hz)
    peak = int(np.argmax(envelope))
    frame = max(int((gap_seconds - 0.5 / fundamental_hz) * rate_hz), peak)
    if not envelope[frame] > 0.0:
        return 0.0
    return -TARGET_DB * gap_seconds / fall_seconds - power_to_db(float(envelope[frame] / envelope[peak]))
