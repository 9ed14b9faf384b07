"""The result of a calibration in sentences. No Qt."""

from __future__ import annotations

import math

from meter.calibration.level_at_seat import (
    DEAD_DIFFERENCE_DB,
    HABIT_DIFFERENCE_DB,
    MOST_CHECK_DB,
    MOST_DIFFERENCE_DB,
    NOISE_DBFS_RMS,
    SeatResult,
)
from meter.calibration.monitor_control import setting_words
from meter.figures import figure


def sides_sentence(result: SeatResult, weighting: str) -> str:
    """Left against right."""
    if result.right is None:
        return f"The loudspeaker reads {figure(result.left.typed_db)} dB({weighting})."
    left, right = figure(result.left.typed_db), figure(result.right.typed_db)
    apart = result.left_over_right_db
    pair = f"Left {left}, right {right} dB({weighting})"
    by = f"{figure(abs(apart))} dB"
    if abs(apart) > MOST_DIFFERENCE_DB:
        louder, other = ("left", "right") if apart > 0 else ("right", "left")
        return (
            f"{pair}: {louder} is {by} louder than {other}. Trim one of them and measure again, or go on knowing it."
        )
    if abs(apart) > HABIT_DIFFERENCE_DB:
        return f"{pair}: {by} apart. Within half a decibel is the habit (common practice)."
    return f"{pair}: {by} apart, within the habit of half a decibel (common practice)."


def dead_sentence(result: SeatResult) -> str:
    """One sentence where one loudspeaker must be off, else empty."""
    apart = result.left_over_right_db
    if abs(apart) <= DEAD_DIFFERENCE_DB:
        return ""
    weak, other = ("right", "left") if apart > 0 else ("left", "right")
    return (
        f"The {weak} one reads {abs(apart):.0f} dB less than the {other} one: it is off or dead, or a figure is a "
        "slip. Fix that and measure both again."
    )


def check_sentence(result: SeatResult) -> str:
    """Both together against the sum of each."""
    if result.right is None:
        return ""
    if result.both is None:
        return "The check with both was skipped, so the estimate is less sure."
    due, read = figure(result.expected_both_db), figure(result.both.typed_db)
    if math.isnan(result.check_db) or abs(result.check_db) <= MOST_CHECK_DB:
        return f"Both read {read} where {due} are due: two unrelated sounds add up in power."
    off = f"{figure(abs(result.check_db))} dB"
    return (
        f"Both read {read} where {due} are due, {off} off: was the knob touched, the meter moved, or the same "
        "noise on both sides? The estimate is less sure for it."
    )


def seat_sentence(offset_db: float, doubt_db: float, setting: str) -> str:
    """What a calibration comes to."""
    feed = NOISE_DBFS_RMS
    return (
        f"A feed at {figure(feed, 0)} dBFS(A) will be taken as about {feed + offset_db:.0f} dB(A) where you sit, "
        f"with the monitor knob at {setting_words(setting)}: an estimate, ±{doubt_db:.0f} dB at best."
    )


def sheet_sentence(full_scale_db: float, offset_db: float, doubt_db: float) -> str:
    """What a data sheet comes to."""
    feed = NOISE_DBFS_RMS
    return (
        f"A full-scale sine gives about {full_scale_db:.0f} dB SPL in each ear. A feed at {figure(feed, 0)} dBFS(A) "
        f"will be taken as about {feed + offset_db:.0f} dB(A): a guess, ±{doubt_db:.0f} dB or worse."
    )
