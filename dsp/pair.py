"""Kick and bass, or any two low parts: do they begin together, do they add up, do they share the same frequencies.

Signals are audio at about 4 kHz (``dsp.mid_rate``), ``(samples, channels)``, both of one rate and clock, mono or
stereo. "First" is the kick, "second" the bass. Nothing finer than a few milliseconds should be claimed of low notes:
a cycle at 40 Hz lasts 25 ms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from dsp.low_spectrum import LowSpectra
from dsp.onsets import LOUD_RANGE_DB, frame_power, loud_power, onsets
from dsp.types import FloatArray
from dsp.units import db_to_power, power_to_db

COINCIDENCE_SECONDS = 0.03
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
NOTHING_LEFT = 1e-6
"""A sum this far (60 dB) under its parts is all but gone; no smaller figure is stated."""

SHARING, TAKING_TURNS, WRESTLING, NOT_YET = "sharing", "taking turns", "wrestling", "not yet"


@dataclass(frozen=True)
class ThirdOctave:
    """One band: overlap 0 to 1, and level of the first part over the second in decibels."""

    centre_hz: float
    overlap: float
    first_over_second_db: float


@dataclass(frozen=True)
class Timing:
    """Gaps between notes that begin together: second minus first, so positive is a late second part.

    ``spread_ms`` is the distance from the 10th to the 90th percentile. NaN without coincidences.
    """

    coincidences: int
    first_notes: int
    second_notes: int
    gap_ms: float
    spread_ms: float


@dataclass(frozen=True)
class SumGain:
    """Energy of both together over the sum of their energies, in decibels, in the first 150 ms of each coincidence.

    +3 aligned, 0 unrelated, below -1 against each other, -60 at least. ``gain_db`` pools all coincidences,
    ``spread_db`` is the 10th to 90th percentile distance over them. ``flip_db`` is what turning the second part's
    polarity would change, ``nudge_db`` the best that moving it by ``nudge_ms`` (up to 10, later is positive) would.
    """

    gain_db: float
    spread_db: float
    flip_db: float
    nudge_ms: float
    nudge_db: float


@dataclass(frozen=True)
class Pair:
    """All figures of two parts. ``second_under_first_db`` is the second part's level in the octave round the first's
    fundamental during the first 100 ms of its hits, relative to the first's. ``reason`` says why figures are NaN."""

    timing: Timing
    sum_gain: SumGain
    overlap: float
    bands: tuple[ThirdOctave, ...]
    second_under_first_db: float
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
    starts, others = onsets(first, rate_hz), onsets(second, rate_hz)
    matches = coincidences(starts, others)
    timing = _timing(matches, len(starts), len(others))
    gain = _sum_gain(first_band, second_band, rate_hz, matches)
    overlap, bands = spectral_overlap(first_spectra, second_spectra)
    room = _second_under_first(first, second, rate_hz, starts, first_fundamental_hz)
    found = verdict(timing, gain, overlap)
    reason = ""
    if found == NOT_YET:
        reason = "one of the two has no low notes" if not min(len(starts), len(others)) else "too few notes so far"
    return Pair(timing, gain, overlap, bands, room, found, reason)


def coincidences(first: FloatArray, second: FloatArray) -> FloatArray:
    """Pairs of onset times ``(n, 2)`` within 30 ms of each other, each onset used once, nearest first."""
    if not len(first) or not len(second):
        return np.empty((0, 2))
    nearest = np.abs(first[:, None] - second[None, :])
    mutual = [
        (first[row], second[column])
        for row, column in enumerate(nearest.argmin(axis=1))
        if nearest[:, column].argmin() == row and nearest[row, column] <= COINCIDENCE_SECONDS
    ]
    return np.array(mutual).reshape(-1, 2)


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


def verdict(timing: Timing, gain: SumGain, overlap: float) -> str:
    """In words: against each other, seldom at the same time or place, or sharing."""
    fewest = min(timing.first_notes, timing.second_notes)
    if not fewest or np.isnan(overlap):
        return NOT_YET
    if timing.coincidences < COINCIDENCES_NEEDED:
        seldom = fewest >= COINCIDENCES_NEEDED and timing.coincidences < MEANT_TOGETHER_SHARE * fewest
        return TAKING_TURNS if seldom else NOT_YET
    if gain.gain_db < AGAINST_DB:
        return WRESTLING
    return TAKING_TURNS if timing.coincidences < MEANT_TOGETHER_SHARE * fewest else SHARING


def _inside(frequency_hz: FloatArray, low: float, high: float) -> NDArray[Any]:
    return np.asarray((frequency_hz >= low) & (frequency_hz < high))


def _overlap(first: FloatArray, second: FloatArray) -> float:
    greater = float(np.maximum(first, second).sum())
    return float(np.minimum(first, second).sum()) / greater if greater > 0.0 else float("nan")


def _both_channels(part: FloatArray) -> FloatArray:
    return np.repeat(part, 2, axis=1) if part.shape[1] == 1 else part


def _band(signal: FloatArray, rate_hz: float, edges_hz: tuple[float, float]) -> FloatArray:
    sos = butter(2, edges_hz, btype="bandpass", fs=rate_hz, output="sos")
    return np.asarray(sosfilt(sos, signal, axis=0))


def _timing(matches: FloatArray, first_notes: int, second_notes: int) -> Timing:
    if len(matches) < COINCIDENCES_NEEDED:
        return Timing(len(matches), first_notes, second_notes, float("nan"), float("nan"))
    gaps = 1000.0 * (matches[:, 1] - matches[:, 0])
    low, median, high = np.percentile(gaps, [10, 50, 90])
    return Timing(len(matches), first_notes, second_notes, float(median), float(high - low))


def _sum_gain(first: FloatArray, second: FloatArray, rate_hz: float, matches: FloatArray) -> SumGain:
    length = round(SUM_SECONDS * rate_hz)
    reach = round(NUDGE_SECONDS * rate_hz)
    begins = [int(match.min() * rate_hz) for match in matches]
    begins = [begin for begin in begins if begin >= reach and begin + length + reach <= len(first)]
    if len(begins) < COINCIDENCES_NEEDED:
        return SumGain(*[float("nan")] * 5)
    hits = [_gain_of(first, second, begin, length, 0) for begin in begins]
    each = [_pooled([hit], 1.0) for hit in hits]
    gain = _pooled(hits, 1.0)
    shifts = [round(step) for step in np.arange(-reach, reach + 1, max(1.0, NUDGE_STEP_SECONDS * rate_hz))]
    nudged = [_pooled([_gain_of(first, second, begin, length, shift) for begin in begins], 1.0) for shift in shifts]
    best = int(np.argmax(nudged))
    low, high = np.percentile(each, [10, 90])
    return SumGain(
        gain, float(high - low), _pooled(hits, -1.0) - gain, 1000.0 * shifts[best] / rate_hz, nudged[best] - gain
    )


def _gain_of(first: FloatArray, second: FloatArray, begin: int, length: int, shift: int) -> tuple[float, float]:
    """Energies of both added, and their cross term, with the second part ``shift`` samples later."""
    a = first[begin : begin + length]
    b = second[begin - shift : begin - shift + length]
    return float((a * a).sum() + (b * b).sum()), float((a * b).sum())


def _pooled(hits: list[tuple[float, float]], polarity: float) -> float:
    apart = sum(energies for energies, _ in hits)
    cross = sum(product for _, product in hits)
    return power_to_db(max((apart + 2.0 * polarity * cross) / apart, NOTHING_LEFT)) if apart > 0.0 else float("nan")


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
