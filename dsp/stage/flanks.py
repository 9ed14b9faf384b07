"""Attack and recovery of a stage from its gain, a value a millisecond.

Both are time constants: how long 63 % of a change in decibels takes. They are read between 10 % and 63.2 % of each
clear fall or rise of the gain, where an exponential takes 0.895 of its time constant. Only changes that follow a step
of the sound before count: otherwise it is the sound that takes its time.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from dsp.core.scipy_signal import find_peaks
from dsp.core.types import FloatArray

LEAST_CHANGE_DB = 2.0
LEAST_FLANKS = 3
FROM, TO = 0.1, 1.0 - float(np.exp(-1.0))
TIME_CONSTANTS = float(np.log((1.0 - FROM) / (1.0 - TO)))
TIME_CONSTANTS_BEFORE = float(-np.log(1.0 - FROM))
SMOOTHED = 3
STEP_DB, STEP_MS = 4.0, 10.0
"""A step: so much between the means of 10 ms before and after (judgement)."""


@dataclass(frozen=True)
class Flanks:
    """Time constants in milliseconds, the median of the flanks; NaN with fewer than three."""

    attack_ms: float
    recovery_ms: float


def flanks(held_db: FloatArray, before_power: FloatArray, step_ms: float) -> Flanks:
    """Of how far the sound is held down, ``(steps,)``, ``step_ms`` apart; NaN where it is not known."""
    known = np.isfinite(held_db)
    if known.sum() < 10:
        return Flanks(np.nan, np.nan)
    steps = np.arange(len(held_db))
    smooth = median_filter(np.interp(steps, steps[known], held_db[known]), SMOOTHED, mode="nearest")
    tops, _ = find_peaks(smooth, prominence=LEAST_CHANGE_DB, plateau_size=1)
    floors, _ = find_peaks(-smooth, prominence=LEAST_CHANGE_DB, plateau_size=1)
    turns = sorted([(int(top), True) for top in tops] + [(int(floor), False) for floor in floors])
    attacks: list[float] = []
    recoveries: list[float] = []
    for (start, is_top), (end, _) in pairwise(turns):
        begin, took = _took(smooth[start : end + 1])
        stepped = start + round(begin - TIME_CONSTANTS_BEFORE * took)
        change_db = _step_at(before_power, stepped, max(1, round(STEP_MS / step_ms)))
        if (-change_db if is_top else change_db) >= STEP_DB:
            (recoveries if is_top else attacks).append(took * step_ms)
    return Flanks(_median(attacks), _median(recoveries))


def _step_at(power: FloatArray, at: int, reach: int) -> float:
    """Change of level round a step, in dB; 0 where it is not known."""
    means = [power[max(0, at - reach) : at], power[at : at + reach]]
    first, second = (float(part.mean()) if len(part) and np.isfinite(part).all() else 0.0 for part in means)
    return 10.0 * float(np.log10(second / first)) if first > 0.0 and second > 0.0 else 0.0


def _took(flank: FloatArray) -> tuple[float, float]:
    """Where one flank begins and its time constant, in steps."""
    done = (flank - flank[0]) / (flank[-1] - flank[0]) if flank[-1] != flank[0] else np.zeros(len(flank))
    begin = _crossing(done, FROM)
    return begin, (_crossing(done, TO) - begin) / TIME_CONSTANTS


def _crossing(done: FloatArray, share: float) -> float:
    """Step at which ``share`` is passed for the last time, between steps: a flank may wait long before it moves."""
    above: NDArray[np.intp] = np.flatnonzero(done < share)
    last = int(above[-1]) if len(above) else 0
    if last + 1 >= len(done):
        return float(last)
    here, after = done[last], done[last + 1]
    return last + (share - here) / (after - here) if after > here else float(last)


def _median(times: list[float]) -> float:
    return float(np.median(times)) if len(times) >= LEAST_FLANKS else float("nan")
