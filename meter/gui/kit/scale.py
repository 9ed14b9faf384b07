"""Scales: from a reading to its place on a line of length 1, and the marks that name the places.

Places run from 0 (low end) to 1 (high end) and are clamped, so that minus infinity lies at 0; NaN stays NaN
and is for the caller to leave out. Sources: needle law IEC 60268-17 (deflection linear in rectified
voltage, 0 VU at 71 % of full scale), programme-level scale IEC 60268-10 and EBU Tech 3205-E (type IIb, -12 to
+12), nominal frequencies ISO 266, pitch ISO 16 (A4 = 440 Hz), equal temperament.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
VU_TOP = 3.0
VU_LABELS = ((-20, -10, -5, -3, 0, 3), (-20, -10, -5, 0, 3), (-20, -10, 0, 3), (-20, 0, 3), (-20, 0))
"""Numbered marks: the first of these sets that fits, so that no number is left out of the middle of a scale."""
VU_MARKS = (-20, -10, -7, -5, -3, -2, -1, 0, 1, 2, 3)
PEAK_BOTTOM_DB = -60.0
PEAK_TOP_DB = 3.0
PEAK_KNEE_DB = -20.0
PEAK_KNEE_PLACE = 1.0 / 3.0
PEAK_MARKS = (-40, -20, -15, -10, -5, 0)
PEAK_LABELS = (PEAK_MARKS, (-40, -20, -10, 0), (-20, -10, 0), (-20, 0))
"""As ``VU_LABELS``."""
PICTURE_GAIN = 3.5
NOTE_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
"""The same form as in the commands and in JSON."""
A4_HZ = 440.0
A4_NOTE = 69
BASS_STRINGS = (23, 28, 33, 38, 43, 48, 53)
"""Open strings of the bass family, in fourths from B0, as note numbers with A4 = 69."""

NOMINAL_HZ = (10.0, 12.5, 16.0, 20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0)
"""ISO 266: one decade of nominal third-octave frequencies; the next decades repeat it times ten."""


def clamped(place: float) -> float:
    """The place held between 0 and 1; NaN stays NaN."""
    return place if math.isnan(place) else min(1.0, max(0.0, place))


def vu_place(level_vu: float) -> float:
    """Share of full needle travel, 10^((VU - 3) / 20): linear in rectified voltage (IEC 60268-17)."""
    return clamped(float(10.0 ** ((min(level_vu, VU_TOP) - VU_TOP) / 20.0)))


def straight_place(level_db: float, bottom_db: float, top_db: float) -> float:
    """Place on a scale linear in decibels; ``bottom_db`` lies at 0, ``top_db`` at 1."""
    return clamped((level_db - bottom_db) / (top_db - bottom_db))


def straight_places(levels_db: FloatArray, bottom_db: float, top_db: float) -> FloatArray:
    """The same for a vector; NaN lies at the bottom."""
    with np.errstate(invalid="ignore"):
        places = (levels_db - bottom_db) / (top_db - bottom_db)
    return np.fmin(np.fmax(places, 0.0), 1.0)


def peak_place(level_db: float) -> float:
    """Place of a peak level: two straight parts, the upper 20 dB with two thirds of the length.

    A single straight scale spends most of its length where no decision is taken (common practice, no source).
    """
    if level_db < PEAK_KNEE_DB:
        return PEAK_KNEE_PLACE * straight_place(level_db, PEAK_BOTTOM_DB, PEAK_KNEE_DB)
    return PEAK_KNEE_PLACE + (1.0 - PEAK_KNEE_PLACE) * straight_place(level_db, PEAK_KNEE_DB, PEAK_TOP_DB)


def correlation_place(correlation: float) -> float:
    """-1 lies at 0, 0 in the middle, +1 at 1."""
    return clamped((correlation + 1.0) / 2.0)


def picture_reach(radius: FloatArray) -> FloatArray:
    """Reach (0 to 1) of a point of the x/y picture from its distance; sqrt 2 is a full-scale pair in step.

    Linear near the centre, compressed towards the rim: quiet music fills the picture and nothing leaves it.
    Directions, and so width and balance, stay as they are.
    """
    return np.tanh(PICTURE_GAIN * np.asarray(radius))


def log_place(frequency_hz: float, low_hz: float, high_hz: float) -> float:
    """Place on a logarithmic frequency axis."""
    if frequency_hz <= 0.0:
        return 0.0
    return clamped(math.log(frequency_hz / low_hz) / math.log(high_hz / low_hz))


def note_hz(note: int) -> float:
    """Frequency of an equally tempered note, A4 = 69 = 440 Hz (ISO 16)."""
    return float(A4_HZ * 2.0 ** ((note - A4_NOTE) / 12.0))


def note_name(note: int) -> str:
    """Name with octave, middle C = 60 = C4: 33 is ``A1``."""
    return f"{NOTE_NAMES[note % 12]}{note // 12 - 1}"


def nearest_note(frequency_hz: float) -> int:
    """Number of the note nearest to a frequency above 0 Hz."""
    return round(A4_NOTE + 12.0 * math.log2(frequency_hz / A4_HZ))


def nominal_hz(frequency_hz: float) -> float:
    """The nominal third-octave frequency (ISO 266) nearest on a log scale to one above 0 Hz."""
    decade = math.floor(math.log10(frequency_hz) - 1.0 + 1e-9)
    nearby = [nominal * 10.0**power for power in (decade, decade + 1) for nominal in NOMINAL_HZ]
    return min(nearby, key=lambda nominal: abs(math.log(nominal / frequency_hz)))


def hertz_label(frequency_hz: float) -> str:
    """``250``, ``1k``, ``1.25k``, ``31.5``: as short as an axis needs."""
    if frequency_hz >= 1000.0:
        return f"{frequency_hz / 1000.0:g}k"
    return f"{frequency_hz:g}"
