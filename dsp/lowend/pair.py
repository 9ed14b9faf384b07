"""Kick and bass, or any two low parts: do they hit together, do they add up, do they hold the same frequencies.

Signals are audio at about 4 kHz (``mid_rate``), ``(samples, channels)``, both of one rate and clock, mono or
stereo. "First" is the kick, "second" the bass. Nothing finer than a few milliseconds should be claimed of low notes:
a cycle at 40 Hz lasts 25 ms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from dsp.core.scipy_signal import butter, sosfilt
from dsp.core.types import FloatArray
from dsp.core.units import db_to_power, power_to_db
from dsp.lowend.coincidence import COINCIDENCE_SECONDS, together
from dsp.lowend.low_spectrum import LowSpectra
from dsp.lowend.onsets import LOUD_RANGE_DB, SILENCE_DBFS, frame_power, loud_power, low_band, onsets_in

COINCIDENCES_NEEDED = 4
SUM_SECONDS = 0.15
NUDGE_SECONDS = 0.01
NUDGE_STEP_SECONDS = 0.0005
SUM_BAND_HZ = (20.0, 150.0)
BREATHING_SECONDS = 0.1
OVERLAP_HZ = (30.0, 150.0)
THIRD_OCTAVES_HZ = 10.0 ** (np.arange(15, 22) / 10.0)
"""Exact midband frequencies of the base-ten system (IEC 61260-1:2014, 5.4): 31.6 to 125.9 Hz."""
AGAINST_DB = -1.0
MEANT_TOGETHER_SHARE = 0.25
"""Parts whose notes coincide less often than this are not meant to sound together."""
TURNS_SHARE = 0.15
"""Parts whose notes overlap in time for less than this take turns (judgement)."""
SOUNDING_SECONDS = 0.01
"""A sine falls 20 dB under its peak for less than 2 ms of a half cycle at 20 Hz: no gap in a note."""
NOTHING_LEFT = 1e-6
"""A sum this far (60 dB) under its parts is what rounding leaves: they cancel completely."""

TOGETHER, TAKING_TURNS, CANCELLING, OVERLAPPING = "hit together", "take turns", "cancel", "overlap"
NOT_YET = "not yet"


@dataclass(frozen=True)
class ThirdOctave:
    """One band: overlap 0 to 1, and level of the first part over the second in decibels."""

    centre_hz: float
    overlap: float
    first_over_second_db: float


@dataclass(frozen=True)
class Timing:
    """Gaps between notes that begin in step: second minus first, so positive is a late second part.

    ``coincidences`` notes begin within 30 ms of each other, where chance would give ``by_chance``; ``in_step`` begin
    at or round a constant gap of up to 80 ms, 0 where that is no more than by chance. ``spread_ms`` is the distance
    from the 10th to the 90th percentile of their gaps; ``gap_ms`` is NaN where that is not well under chance.
    """

    coincidences: int
    by_chance: float
    in_step: int
    first_notes: int
    second_notes: int
    gap_ms: float
    spread_ms: float


@dataclass(frozen=True)
class SumGain:
    """Energy of both together over the sum of their energies, in decibels, in the first 150 ms of each coincidence.

    +3 aligned, 0 unrelated, below -1 against each other, minus infinity where they cancel completely. ``gain_db``
    pools all notes in step, ``spread_db`` is the 10th to 90th percentile distance over them. ``flipped_db`` is the
    gain with the second part's polarity flipped and ``flip_db`` the change, infinite where one of the two is;
    ``nudge_db`` is the best that moving it by ``nudge_ms`` (up to 10, later is positive) would change, NaN where
    nothing is left to change.
    """

    gain_db: float
    spread_db: float
    flipped_db: float
    flip_db: float
    nudge_ms: float
    nudge_db: float


@dataclass(frozen=True)
class Pair:
    """All figures of two parts. ``second_under_first_db`` is the second part's level in the octave round the first's
    fundamental during the first 100 ms of its hits, relative to the first's. ``time_overlap`` is the share, 0 to 1,
    of the time in which the part that sounds less sounds at once with the other. ``reason`` says why figures are NaN.
    """

    timing: Timing
    sum_gain: SumGain
    overlap: float
    bands: tuple[ThirdOctave, ...]
    second_under_first_db: float
    time_overlap: float
    verdict: str
    reason: str = ""


def pair(
    first: FloatArray,
    second: FloatArray,
    rate_hz: float,
    first_spectra: LowSpectra,
    second_spectra: LowSpectra,
    first_fundamental_hz: float = float("nan"),
) -> Pair:
    """Compare two parts over the same stretch. Raises ValueError when they differ in length."""
    if len(first) != len(second):
        raise ValueError(f"The two parts have {len(first)} and {len(second)} samples; give both the same stretch.")
    first_band, second_band = (_band(_both_channels(part), rate_hz, SUM_BAND_HZ) for part in (first, second))
    (low_first, low_rate_hz), (low_second, _) = (_low_band(part, rate_hz) for part in (first, second))
    starts, others = onsets_in(low_first, low_rate_hz), onsets_in(low_second, low_rate_hz)
    found = together(starts, others, len(first) / rate_hz)
    timing = Timing(
        found.count, found.by_chance, len(found.matches), len(starts), len(others), found.gap_ms, found.spread_ms
    )
    gain = _sum_gain(first_band, second_band, rate_hz, found.matches)
    overlap, bands = spectral_overlap(first_spectra, second_spectra)
    room = _second_under_first(first, second, rate_hz, starts, first_fundamental_hz)
    at_once = time_overlap(low_first, low_second, low_rate_hz)
    said = verdict(timing, gain, at_once, found.middle_ms)
    return Pair(timing, gain, overlap, bands, room, at_once, said, _reason(timing, said))


def _reason(timing: Timing, said: str) -> str:
    """Why the gap or the summing gain is not given; empty where both are."""
    fewest = min(timing.first_notes, timing.second_notes)
    if said == NOT_YET:
        return "too few notes so far" if fewest else "one of the two has no low notes"
    if timing.in_step < COINCIDENCES_NEEDED:
        return (
            f"{timing.coincidences} of {fewest} notes begin together, no more than by chance "
            f"(about {timing.by_chance:.0f})"
        )
    return f"timing varies {timing.spread_ms:.0f} ms, too much for a gap" if np.isnan(timing.gap_ms) else ""


def time_overlap(first: FloatArray, second: FloatArray, rate_hz: float) -> float:
    """Share of the time of the part that sounds less in which both do, 0 to 1; NaN while one is silent.

    Both are what ``dsp.lowend.onsets.low_band`` gave.
    """
    a, b = _sounding(first, rate_hz), _sounding(second, rate_hz)
    less = min(int(a.sum()), int(b.sum()))
    return float((a & b).sum()) / less if less else float("nan")


def _low_band(part: FloatArray, rate_hz: float) -> tuple[FloatArray, float]:
    return low_band(part, rate_hz) if len(part) else (part, rate_hz)


def _sounding(band: FloatArray, rate_hz: float) -> NDArray[Any]:
    """Frames in which the low notes of a part are less than 20 dB under its loud ones."""
    if not len(band):
        return np.zeros(0, dtype=np.bool_)
    power = frame_power(band)
    least = max(loud_power(power) * db_to_power(-LOUD_RANGE_DB), db_to_power(SILENCE_DBFS))
    return np.asarray(maximum_filter1d(power, max(1, round(SOUNDING_SECONDS * rate_hz))) >= least)


def spectral_overlap(first: LowSpectra, second: LowSpectra) -> tuple[float, tuple[ThirdOctave, ...]]:
    """Sum of the lesser over sum of the greater power, 30 to 150 Hz, over frames in which either is loud."""
    power = np.maximum(first.bins.sum(axis=1), second.bins.sum(axis=1))
    loud = loud_power(power)
    if not loud:
        return float("nan"), ()
    votes = power >= loud * db_to_power(-LOUD_RANGE_DB)
    a, b = first.bins[votes].mean(axis=0), second.bins[votes].mean(axis=0)
    bands = []
    for centre in THIRD_OCTAVES_HZ:
        inside = _inside(first.frequency_hz, centre * 10.0**-0.05, centre * 10.0**0.05)
        with np.errstate(divide="ignore", invalid="ignore"):
            over = power_to_db(float(np.divide(a[inside].sum(), b[inside].sum())))
        bands.append(ThirdOctave(float(centre), _overlap(a[inside], b[inside]), over))
    inside = _inside(first.frequency_hz, *OVERLAP_HZ)
    return _overlap(a[inside], b[inside]), tuple(bands)


def verdict(timing: Timing, gain: SumGain, at_once: float, middle_ms: float) -> str:
    """In words: against each other, seldom at the same time, at once and in step, or at once only.

    ``middle_ms`` is the median gap of the notes in step, steady or not.
    """
    fewest = min(timing.first_notes, timing.second_notes)
    if fewest < COINCIDENCES_NEEDED or np.isnan(at_once):
        return NOT_YET
    if timing.in_step >= COINCIDENCES_NEEDED and gain.gain_db < AGAINST_DB:
        return CANCELLING
    if at_once < TURNS_SHARE:
        return TAKING_TURNS
    meant = timing.in_step >= max(COINCIDENCES_NEEDED, MEANT_TOGETHER_SHARE * fewest)
    return TOGETHER if meant and abs(middle_ms) <= 1000.0 * COINCIDENCE_SECONDS else OVERLAPPING


def _inside(frequency_hz: FloatArray, low: float, high: float) -> NDArray[Any]:
    return np.asarray((frequency_hz >= low) & (frequency_hz < high))


def _overlap(first: FloatArray, second: FloatArray) -> float:
    greater = float(np.maximum(first, second).sum())
    return float(np.minimum(first, second).sum()) / greater if greater > 0.0 else float("nan")


def _both_channels(part: FloatArray) -> FloatArray:
    return np.repeat(part, 2, axis=1) if part.shape[1] == 1 else part


def _band(signal: FloatArray, rate_hz: float, edges_hz: tuple[float, float]) -> FloatArray:
    if not len(signal):  # a stretch of nothing but gaps
        return signal
    sos = butter(2, edges_hz, btype="bandpass", fs=rate_hz, output="sos")
    return np.asarray(sosfilt(sos, signal, axis=0))


def _sum_gain(first: FloatArray, second: FloatArray, rate_hz: float, matches: FloatArray) -> SumGain:
    length = round(SUM_SECONDS * rate_hz)
    reach = round(NUDGE_SECONDS * rate_hz)
    begins = [int(match.min() * rate_hz) for match in matches]
    begins = [begin for begin in begins if begin >= reach and begin + length + reach <= len(first)]
    if len(begins) < COINCIDENCES_NEEDED:
        return SumGain(*[float("nan")] * 6)
    hits = [_gain_of(first, second, begin, length, 0) for begin in begins]
    each = [max(_pooled([hit], 1.0), power_to_db(NOTHING_LEFT)) for hit in hits]
    gain, flipped = _pooled(hits, 1.0), _pooled(hits, -1.0)
    low, high = np.percentile(each, [10, 90])
    if gain == -np.inf:
        return SumGain(gain, float(high - low), flipped, float("inf"), float("nan"), float("nan"))
    shifts = [round(step) for step in np.arange(-reach, reach + 1, max(1.0, NUDGE_STEP_SECONDS * rate_hz))]
    nudged = [_pooled([_gain_of(first, second, begin, length, shift) for begin in begins], 1.0) for shift in shifts]
    best = int(np.argmax(nudged))
    nudge_ms = 1000.0 * shifts[best] / rate_hz
    return SumGain(gain, float(high - low), flipped, flipped - gain, nudge_ms, nudged[best] - gain)


def _gain_of(first: FloatArray, second: FloatArray, begin: int, length: int, shift: int) -> tuple[float, float]:
    """Energies of both added, and their cross term, with the second part ``shift`` samples later."""
    a = first[begin : begin + length]
    b = second[begin - shift : begin - shift + length]
    return float((a * a).sum() + (b * b).sum()), float((a * b).sum())


def _pooled(hits: list[tuple[float, float]], polarity: float) -> float:
    apart = sum(energies for energies, _ in hits)
    cross = sum(product for _, product in hits)
    if not apart > 0.0:
        return float("nan")
    ratio = (apart + 2.0 * polarity * cross) / apart
    return power_to_db(ratio) if ratio > NOTHING_LEFT else float("-inf")


def _second_under_first(
    first: FloatArray, second: FloatArray, rate_hz: float, starts: FloatArray, fundamental_hz: float
) -> float:
    """The second part's level under the first's hits in its octave; NaN without hits or a fundamental."""
    if not len(starts) or not np.isfinite(fundamental_hz) or fundamental_hz * np.sqrt(2.0) >= rate_hz / 2.0:
        return float("nan")
    edges = (fundamental_hz / np.sqrt(2.0), fundamental_hz * np.sqrt(2.0))
    length = round(BREATHING_SECONDS * rate_hz)
    energies = []
    for part in (first, second):
        power = frame_power(_band(part, rate_hz, edges))
        energies.append(sum(float(power[int(at * rate_hz) : int(at * rate_hz) + length].sum()) for at in starts))
    return power_to_db(energies[1] / energies[0]) if energies[0] > 0.0 else float("nan")
