"""What the study of tone drift finds."""

from __future__ import annotations

import math

import msgspec

LISTENING, NO_PATTERN, NEW, SAME = "listening", "no pattern", "not heard before", "same"


class DriftFindings(msgspec.Struct, frozen=True):
    """Result of the last search; figures are NaN unless ``verdict`` is ``SAME``.

    ``heard_ago_seconds`` is the measured time since the passage was first heard, ``likeness`` 1 for the same. Changes
    are in dB, now over first time: ``level_change_db`` of 120 Hz to 2 kHz, ``top_change_db`` (2 to 8 kHz) and
    ``low_change_db`` (20 to 120 Hz) re that.
    """

    verdict: str = LISTENING
    heard_ago_seconds: float = math.nan
    likeness: float = math.nan
    top_change_db: float = math.nan
    low_change_db: float = math.nan
    level_change_db: float = math.nan
