"""The arithmetic of a calibration: from what a sound level meter reads at the seat to an offset. No Qt.

While steady noise plays, ``offset = level at the seat in dB(A) - A-weighted level of the feed in dBFS``. A meter set
to C reads a little differently on the same noise; that difference follows from the weightings (IEC 61672-1:2013,
Annex E, formulae E.1 and E.6) and the noise's band, and is taken out.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

LEAST_TYPED_DB = 40.0
MOST_TYPED_DB = 120.0

STEADY_SECONDS = 5.0
STEADY_SPAN_DB = 1.0
"""Pink noise of 500 Hz to 2 kHz read over 1 s varies by about 0.1 dB (standard deviation, 1 / sqrt(bandwidth times
time)), so 5 s of it stay well within 1 dB; music does not."""

QUIETEST_FEED_DBFS = -60.0
"""Below this the noise is not playing, or so quietly that the room would be measured instead."""

NOISE_BANDS_HZ = {"band": (500.0, 2000.0), "wide": (20.0, 20_000.0)}
"""Lower and upper edge of the two kinds of pink test noise."""

# IEC 61672-1:2013, Annex E: the exact pole frequencies behind the nominal 20.6, 107.7, 737.9 and 12194 Hz.
F1_HZ, F2_HZ, F3_HZ, F4_HZ = 20.598997, 107.65265, 737.86223, 12194.217
POINTS_PER_OCTAVE = 96


def typed_level(text: str) -> float:
    """The level in dB that the user typed; a comma serves as decimal point. Raises ValueError with one sentence."""
    cleaned = text.strip().replace(",", ".").removesuffix("dB").strip()
    try:
        level = float(cleaned)
    except ValueError:
        level = math.nan
    if not LEAST_TYPED_DB <= level <= MOST_TYPED_DB:
        raise ValueError(
            f"Type what the sound level meter shows, a number from {LEAST_TYPED_DB:g} to {MOST_TYPED_DB:g} dB."
        )
    return level


def a_minus_c_db(noise: str) -> float:
    """How much lower pink noise of this kind reads in A than in C, in dB (negative or near zero)."""
    low, high = NOISE_BANDS_HZ[noise]
    octaves = math.log2(high / low)
    # Equal power per octave: a mean over points equally spaced in log frequency needs no further weight.
    hz = low * 2.0 ** np.linspace(0.0, octaves, round(octaves * POINTS_PER_OCTAVE) + 1)
    return float(10.0 * np.log10(np.mean(_a_power(hz)) / np.mean(_c_power(hz))))


def offset_db(typed_db: float, weighting: str, noise: str, feed_dbfs: float) -> float:
    """Level at the seat in dB(A) minus A-weighted level of the feed, in dB.

    ``weighting`` is how the sound level meter was set, "A" or "C".
    """
    seat_dba = typed_db + (a_minus_c_db(noise) if weighting == "C" else 0.0)
    return seat_dba - feed_dbfs


class Steadiness:
    """Says whether the feed has been steady, and at what level, from readings taken on the audio clock."""

    def __init__(self) -> None:
        self._readings: deque[tuple[float, float]] = deque()

    def add(self, seconds: float, feed_dbfs: float) -> None:
        """One reading of the A-weighted feed level at ``seconds`` of the audio clock; time may start over."""
        if self._readings and seconds < self._readings[-1][0]:
            self._readings.clear()
        if not math.isfinite(feed_dbfs):
            self._readings.clear()
            return
        self._readings.append((seconds, feed_dbfs))
        while seconds - self._readings[0][0] > STEADY_SECONDS:
            self._readings.popleft()

    def clear(self) -> None:
        """Forget all readings, as after a gap or while nothing is measured."""
        self._readings.clear()

    def level(self) -> float:
        """The mean level over the last five seconds in dBFS(A). Raises ValueError with one sentence otherwise."""
        if not self._readings:
            raise ValueError("No noise is heard yet; play the test noise from your DAW or player.")
        levels = np.array([level for _, level in self._readings])
        if levels[-1] < QUIETEST_FEED_DBFS:
            raise ValueError("The feed is almost silent; play the test noise from your DAW or player.")
        if self._readings[-1][0] - self._readings[0][0] < 0.9 * STEADY_SECONDS:
            raise ValueError("Listening for five seconds of steady noise…")
        if np.ptp(levels) > STEADY_SPAN_DB:
            raise ValueError("The feed is not steady; play only the test noise and leave its level alone.")
        return float(10.0 * np.log10(np.mean(10.0 ** (levels / 10.0))))


def _a_power(hz: FloatArray) -> FloatArray:
    """A-weighting as a power ratio, 1 at 1 kHz (IEC 61672-1:2013, formula E.6)."""
    return _a_raw(hz) / _a_raw(np.array([1000.0]))


def _c_power(hz: FloatArray) -> FloatArray:
    """C-weighting as a power ratio, 1 at 1 kHz (IEC 61672-1:2013, formula E.1)."""
    return _c_raw(hz) / _c_raw(np.array([1000.0]))


def _c_raw(hz: FloatArray) -> FloatArray:
    square = hz**2
    return (F4_HZ**2 * square / ((square + F1_HZ**2) * (square + F4_HZ**2))) ** 2


def _a_raw(hz: FloatArray) -> FloatArray:
    square = hz**2
    return _c_raw(hz) * square**2 / ((square + F2_HZ**2) * (square + F3_HZ**2))
