"""The account of a stretch: tone and width by band, peak to loudness and lows, from its one-second rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray
from dsp.core.units import amplitude_to_db, power_to_db
from dsp.loudness.gating import (
    ABSOLUTE_GATE_LUFS,
    INTEGRATED_GATE_LU,
    RANGE_GATE_LU,
    RANGE_HIGH_PERCENTILE,
    RANGE_LOW_PERCENTILE,
    energy_of,
    loudness_of,
)
from dsp.reference.sections import BANDS, LOWS, MID, MIDDLE, PEAK, SIDE, K, Sections

Chosen = NDArray[np.bool_]

LOUD_PART_LU = 3.0
LOUD_PERCENTILE = 95.0
SMOOTHED_ROWS = 3
"""A row counts to the loud part when its short-term loudness (3 rows) comes within 3 LU of the 95th percentile
(judgement: a chorus and its repeats)."""
LEAST_RANGE_SECONDS = 60.0
"""A loudness range is not stable before (EBU Tech 3342)."""
NARROWEST_DB = -20.0
"""Side over mid: below 1 % of side all is mono to the ear (judgement)."""
EMPTY_DB = -90.0
"""A band this far below the whole holds no sound to compare (judgement)."""


@dataclass(frozen=True)
class Account:
    """Means over a stretch. Tone and width are ``(19,)`` in dB, in the bands of ``sections``.

    ``tone_db`` is power re full scale squared, both channels summed; ``width_db`` side over mid, ``NARROWEST_DB`` or
    more. NaN: above half the rate, or without sound; width also for mono. ``lows_db`` is 20 to 120 Hz re 200 Hz to
    2 kHz. ``seconds`` is what counts.
    """

    seconds: float
    loudness_lufs: float
    tone_db: FloatArray
    width_db: FloatArray
    peak_to_loudness_lu: float
    lows_db: float
    stereo: bool


def loud_part(sections: Sections) -> Chosen:
    """The rows of the loud part, ``(n,)``."""
    power = sections.rows[:, K]
    if len(power) < SMOOTHED_ROWS:
        return np.ones(len(power), dtype=bool)
    smooth = np.convolve(power, np.ones(SMOOTHED_ROWS) / SMOOTHED_ROWS, "same")
    level = power_to_db(smooth)
    sounding = level[np.isfinite(level)]
    if not len(sounding):
        return np.zeros(len(power), dtype=bool)
    return np.asarray(level >= np.percentile(sounding, LOUD_PERCENTILE) - LOUD_PART_LU)


def between(sections: Sections, start_seconds: float, end_seconds: float) -> Chosen:
    """The rows whose middle lies in a stretch, ``(n,)``."""
    middle = (np.arange(len(sections.rows)) + 0.5) * sections.row_seconds
    return np.asarray((middle >= start_seconds) & (middle < end_seconds))


def account(sections: Sections, chosen: Chosen) -> Account | None:
    """The account of the chosen rows; None where none is above the gate.

    Rows count as blocks of integrated loudness do: above -70 LUFS, and above 10 LU below the mean of those
    (BS.1770-5 Annex 1, here with blocks of a second).
    """
    rows = sections.rows[chosen]
    rows = rows[rows[:, K] > energy_of(ABSOLUTE_GATE_LUFS)]
    if not len(rows):
        return None
    rows = rows[rows[:, K] >= rows[:, K].mean() * 10.0 ** (INTEGRATED_GATE_LU / 10.0)]
    mean = rows.mean(axis=0)
    loudness = loudness_of(float(mean[K]))
    power = mean[MID] + mean[SIDE]
    there = (power > power.sum() * 10.0 ** (EMPTY_DB / 10.0)) & _within_rate(sections.rate_hz)
    width = np.maximum(power_to_db(mean[SIDE] / np.where(mean[MID] > 0.0, mean[MID], np.nan)), NARROWEST_DB)
    width[(mean[MID] <= 0.0) & (mean[SIDE] > 0.0)] = -NARROWEST_DB
    lows = power_to_db(float(mean[LOWS] / mean[MIDDLE])) if mean[MIDDLE] > 0.0 else np.nan
    return Account(
        seconds=len(rows) * sections.row_seconds,
        loudness_lufs=loudness,
        tone_db=np.where(there, power_to_db(power), np.nan),
        width_db=np.where(there & sections.stereo, np.minimum(width, -NARROWEST_DB), np.nan),
        peak_to_loudness_lu=amplitude_to_db(float(rows[:, PEAK].max())) - loudness,
        lows_db=lows if np.isfinite(lows) else np.nan,
        stereo=sections.stereo,
    )


def loudness_range(sections: Sections) -> float:
    """Range in LU of all rows: 10th to 95th percentile of loudness over 3 s; NaN under a minute of sound.

    EBU Tech 3342: windows of 3 s that overlap by two thirds or more, gates at -70 LUFS and 20 LU below the mean.
    """
    power = sections.rows[:, K]
    if len(power) < SMOOTHED_ROWS:
        return float("nan")
    short_term = np.convolve(power, np.ones(SMOOTHED_ROWS) / SMOOTHED_ROWS, "valid")
    short_term = short_term[short_term > energy_of(ABSOLUTE_GATE_LUFS)]
    if len(short_term) * sections.row_seconds < LEAST_RANGE_SECONDS:
        return float("nan")
    short_term = short_term[short_term > short_term.mean() * 10.0 ** (RANGE_GATE_LU / 10.0)]
    low, high = np.percentile(short_term, [RANGE_LOW_PERCENTILE, RANGE_HIGH_PERCENTILE], method="nearest")
    return power_to_db(float(high / low))


def _within_rate(rate_hz: int) -> Chosen:
    return np.array([item.high_hz <= rate_hz / 2.0 for item in BANDS])
