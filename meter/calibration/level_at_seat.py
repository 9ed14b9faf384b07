"""The arithmetic of a calibration: from what a sound level meter reads at the seat to an offset. No Qt.

While steady noise plays, ``offset = level at the seat - level of the feed``, both under the weighting that the meter
is set to, A or C. The offset itself belongs to neither: a gain is a gain. Each loudspeaker is read alone; both
together are a check.

A and C: IEC 61672-1:2013, Annex E, formulae E.1 and E.6.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meter.calibration.noise_levels import CAP_DBFS_RMS

FloatArray = NDArray[np.float64]

LEAST_TYPED_DB = 40.0
MOST_TYPED_DB = 120.0

NOISE_DBFS_RMS = CAP_DBFS_RMS
"""Of the calibration noise in each channel, where a full-scale sine reads 0 (AES17)."""
NOISE_DB_RE_ONE = NOISE_DBFS_RMS - 10.0 * math.log10(2.0)
"""The same where an rms of 1.0 reads 0."""
NOISE_BANDS_HZ = {"band": (500.0, 2000.0), "wide": (20.0, 20_000.0)}
"""Lower and upper edge of the two kinds of pink test noise."""

METER_DOUBTS_DB = {"class 1": 3.0, "class 2": 3.0, "unknown class": 6.0, "telephone": 8.0}
"""What an estimate may be off by with each kind of sound level meter (IEC 61672-1 classes), the seat and the control
left alone: common practice, no source. The rest of it is the seat, the room and the ear, so class 1 gains nothing."""
UNCHECKED_DOUBT_DB = 2.0
"""Added where the check with both loudspeakers failed or was left out (common practice, no source)."""

HABIT_DIFFERENCE_DB = 0.5
MOST_DIFFERENCE_DB = 1.0
"""Between left and right at the seat: the habit, and where it is told (common practice, no source)."""
DEAD_DIFFERENCE_DB = 15.0
"""So far apart one loudspeaker is off, not weak."""
MOST_CHECK_DB = 1.5
"""What both together may be off from the sum of their powers: two slow readings of 0.5 dB each, and the room."""

# Annex E: the exact pole frequencies behind the nominal 20.6, 107.7, 737.9 and 12194 Hz.
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


def weighted_db(noise: str, weighting: str) -> float:
    """How much pink noise of this kind reads under "A" or "C" over its unweighted level, in dB; negative."""
    low, high = NOISE_BANDS_HZ[noise]
    octaves = math.log2(high / low)
    # Equal power per octave: a mean over points equally spaced in log frequency needs no further weight.
    hz = low * 2.0 ** np.linspace(0.0, octaves, round(octaves * POINTS_PER_OCTAVE) + 1)
    power = _a_power(hz) if weighting == "A" else _c_power(hz)
    return float(10.0 * np.log10(np.mean(power)))


def a_minus_c_db(noise: str) -> float:
    """How much lower pink noise of this kind reads in A than in C, in dB (negative or near zero)."""
    return weighted_db(noise, "A") - weighted_db(noise, "C")


def power_sum_db(levels: Iterable[float]) -> float:
    """Level of unrelated sounds together: 10 lg of the sum of their powers."""
    return float(10.0 * np.log10(sum(10.0 ** (level / 10.0) for level in levels)))


@dataclass(frozen=True)
class SideReading:
    """One loudspeaker alone: what was typed, and the level of its channel under the same weighting."""

    typed_db: float
    feed_dbfs: float

    @property
    def offset_db(self) -> float:
        """Level at the seat minus level of the channel."""
        return self.typed_db - self.feed_dbfs


@dataclass(frozen=True)
class BothReading:
    """Both loudspeakers together: what was typed, and the levels of their channels."""

    typed_db: float
    feeds_dbfs: tuple[float, float]


@dataclass(frozen=True)
class SeatResult:
    """Readings of one calibration. A feed of one channel has only ``left``."""

    left: SideReading
    right: SideReading | None = None
    both: BothReading | None = None

    @property
    def offset_db(self) -> float:
        """Level at the seat minus level of the feed, all channels added up in power.

        The mean of both sides' gains in power: right for what they carry equally and unrelated.
        """
        if self.right is None:
            return self.left.offset_db
        return power_sum_db((self.left.offset_db, self.right.offset_db)) - 10.0 * math.log10(2.0)

    @property
    def left_over_right_db(self) -> float:
        """How much louder left is at the seat for the same level in its channel."""
        return self.left.offset_db - self.right.offset_db if self.right is not None else 0.0

    @property
    def expected_both_db(self) -> float:
        """What both should read together, from what each read alone: two equal ones 3.0 dB more than one."""
        if self.right is None or self.both is None:
            return math.nan
        feeds = self.both.feeds_dbfs
        return power_sum_db((feeds[0] + self.left.offset_db, feeds[1] + self.right.offset_db))

    @property
    def check_db(self) -> float:
        """What both read over what they should; NaN where that was not tried."""
        return self.both.typed_db - self.expected_both_db if self.both is not None else math.nan

    def doubt_db(self, meter: str) -> float:
        """What an estimate may be off by, either way."""
        one_loudspeaker = self.right is None
        checked = one_loudspeaker or abs(self.check_db) <= MOST_CHECK_DB
        return METER_DOUBTS_DB[meter] + (0.0 if checked else UNCHECKED_DOUBT_DB)


def _a_power(hz: FloatArray) -> FloatArray:
    """A-weighting as a power ratio, 1 at 1 kHz (formula E.6)."""
    return _a_raw(hz) / _a_raw(np.array([1000.0]))


def _c_power(hz: FloatArray) -> FloatArray:
    """C-weighting as a power ratio, 1 at 1 kHz (formula E.1)."""
    return _c_raw(hz) / _c_raw(np.array([1000.0]))


def _c_raw(hz: FloatArray) -> FloatArray:
    square = hz**2
    return (F4_HZ**2 * square / ((square + F1_HZ**2) * (square + F4_HZ**2))) ** 2


def _a_raw(hz: FloatArray) -> FloatArray:
    square = hz**2
    return _c_raw(hz) * square**2 / ((square + F2_HZ**2) * (square + F3_HZ**2))
