"""The study of a pair: the newest phrase before and after a stage, lined up, to findings."""

from __future__ import annotations

import math

import numpy as np

from dsp.core.types import FloatArray
from dsp.core.units import power_to_db
from dsp.loudness.k_weighting import KWeighting
from dsp.stage.alignment import Alignment, line_up, overlapping
from dsp.stage.pair_sound import LONGEST_LAG_SECONDS, PairStretch
from dsp.stage.stage_stream import StageStream
from meter.builtin.stage.findings import FOUND, SILENT, UNRELATED, PairFindings
from meter.plugin.api import Settings
from meter.stage.study import stage

LEAST_SECONDS = 2.0
SEARCHED_SECONDS = 4.0
SHORT_SECONDS = 3.0
SILENCE_POWER = 1e-10
LOWS_HZ = (20.0, 120.0)


def pair(stretch: PairStretch, _settings: Settings, before: PairFindings | None) -> PairFindings:
    """What the stage does to the sound in ``stretch``."""
    rate_hz = stretch.rate_hz
    first, second = stretch.sides()
    if len(first) < LEAST_SECONDS * rate_hz:
        return PairFindings()
    newest = round(SEARCHED_SECONDS * rate_hz)
    quiet = [float((side[-newest:] ** 2).mean()) < SILENCE_POWER for side in (first, second)]
    if any(quiet):
        return PairFindings(SILENT, silent_side="both" if all(quiet) else "before" if quiet[0] else "after")
    alignment = line_up(first[-newest:], second[-newest:], round(LONGEST_LAG_SECONDS * rate_hz))
    if not alignment.related:
        return PairFindings(UNRELATED)
    return _found(stretch, alignment, *overlapping(first, second, round(alignment.lag_frames)))


def _found(stretch: PairStretch, alignment: Alignment, first: FloatArray, second: FloatArray) -> PairFindings:
    rate_hz = stretch.rate_hz
    stream = StageStream(rate_hz, first.shape[1])
    stream.push(first, second)
    found = stream.stretch()
    newest = slice(-round(SHORT_SECONDS * rate_hz), None)
    change, low_change = _changes(first[newest], second[newest], rate_hz)
    marked = slice(max(0, stretch.mark - stretch.begins), None)
    since, low_since = _changes(first[marked], second[marked], rate_hz)
    return PairFindings(FOUND, found.seconds, stage(found, alignment, rate_hz), change, low_change, since, low_since)


def _changes(first: FloatArray, second: FloatArray, rate_hz: int) -> tuple[float, float]:
    """Change of K-weighted loudness, and of power in the lows."""
    if len(first) < rate_hz // 2:
        return math.nan, math.nan
    loud = [float((KWeighting(rate_hz, side.shape[1]).process(side) ** 2).sum()) for side in (first, second)]
    spectra = [np.abs(np.fft.rfft(side, axis=0)) ** 2 for side in (first, second)]
    hz = np.fft.rfftfreq(len(first), 1.0 / rate_hz)
    inside = (hz >= LOWS_HZ[0]) & (hz < LOWS_HZ[1])
    lows = [float(spectrum[inside].sum()) for spectrum in spectra]
    return _ratio_db(*loud), _ratio_db(*lows)


def _ratio_db(before: float, after: float) -> float:
    return power_to_db(after / before) if before > 0.0 else math.nan
