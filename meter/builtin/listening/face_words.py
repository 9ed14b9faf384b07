"""Sentences of the listening face, rounded to what an estimate supports. No level is called safe."""

from __future__ import annotations

import math

from meter import figures as words
from meter.builtin.drift.findings import SAME
from meter.readings import Frame

EARLY_PERCENT, LATE_PERCENT, FULL_PERCENT = 50.0, 80.0, 100.0
CREEP_DB = 1.0
"""A smaller difference of the two medians counts as no change."""
A_WEEK_HOURS = 168.0
NOT_CALIBRATED = "not calibrated"
NO_ESTIMATE = "No estimate until the listening level is calibrated."
NOT_IN_FORCE = "Not calibrated for this output, or not confirmed yet."
"""For a source that is heard in the room. A calibration may exist that the user has not confirmed yet."""
NO_HEADPHONES = "Headphones are not estimated unless you ask for it."
DRIFT_ROWS = ("passage", "drift")
"""Rows from the meter of tone drift, which needs no calibration."""


def drift_words(frame: Frame, finding: str) -> dict[str, str]:
    """Change in tone of the passage since it was first heard, by row; empty without a match.

    ``finding`` is the full key of the passage found.
    """
    found = frame.findings.get(finding)
    if found is None or found.verdict != SAME:
        return dict.fromkeys(DRIFT_ROWS, "")
    changes = (("top", found.top_change_db), ("lows", found.low_change_db))
    told = ", ".join(words.change_of(part, change) for part, change in changes)
    return {"passage": f"same passage as {words.age(found.heard_ago_seconds)}:", "drift": told}


def state_and_why(monitor_setting: str) -> tuple[str, str]:
    """What replaces the figure while no calibration is in force, and the reason."""
    if monitor_setting.startswith("headphones"):
        return "not estimated", NO_HEADPHONES
    return ("no estimate", NOT_IN_FORCE) if monitor_setting else (NOT_CALIBRATED, NO_ESTIMATE)


def now_words(level_dba: float, monitor_setting: str) -> str:
    """The level now, with headphones or the knob's position; nothing is added for loudspeakers at the usual one."""
    if not math.isfinite(level_dba):
        return "now quiet" if level_dba == -math.inf else ""
    heard_on, _, place = monitor_setting.partition(" at ")
    at = f", at {place}" if place else ""
    return f"now {words.figure(level_dba, 0)} dB(A){', headphones' if heard_on == 'headphones' else ''}{at}"


def left_words(left_hours: float, minute_dba: float, *, live: bool = True) -> str:
    """The sentence below the figure, which is a range; ``left_hours`` is its least."""
    if minute_dba == -math.inf:
        return "nothing playing: no time used"
    if math.isnan(left_hours):
        return words.waiting(live)
    known = math.isfinite(minute_dba)
    at = f"{words.figure(minute_dba, 0)} dB(A), the last minute" if known else "this level"
    return f"more than a week at {at}" if left_hours > A_WEEK_HOURS else f"left at {at}"


def quarter_words(level_dba: float) -> str:
    """Level of the last quarter of an hour; there is one answer to the time left, and it stands above."""
    return f"15 min: {words.figure(level_dba, 0)} dB(A)" if math.isfinite(level_dba) else ""


def percent(share: float) -> str:
    """A share in whole percent."""
    return "under 1 %" if 0.0 < share < 1.0 else f"{words.figure(share, 0)} %"


def other_words(share: float, *, daily: bool) -> str:
    """The week's share under a daily rule, the day's under a weekly one."""
    return f"last 7 days: {percent(share)} of 5 days" if daily else f"today: {percent(share)} of it"


def break_words(minutes: float) -> str:
    """Time since the last break."""
    if not math.isfinite(minutes):
        return ""
    if 0.0 < minutes < 1.0:
        return "last break just now"
    return "on a break now" if minutes <= 0.0 else f"last break {words.hours_and_minutes(minutes / 60.0)} ago"


def offer_words(minutes: float) -> str:
    """Suggest a break; it has no consequence if ignored."""
    return f"{words.hours_and_minutes(minutes / 60.0)} without a break: ten quiet minutes, when it suits you?"


def creep_words(creep_db: float) -> str:
    """Level now re the start of the sitting."""
    if not math.isfinite(creep_db):
        return ""
    if abs(creep_db) < CREEP_DB:
        return "level as at the start"
    size = words.figure(abs(creep_db), 0)
    return f"{'up' if creep_db > 0.0 else 'down'} {size} dB since the start"


def share_words(share_percent: float) -> str:
    """A calm sentence from half of the allowance on; empty below."""
    if share_percent >= FULL_PERCENT:
        return "The allowance is used up: rest your ears."
    if share_percent >= LATE_PERCENT:
        return "Most of the allowance is used: a break or a lower level stretches it."
    if share_percent >= EARLY_PERCENT:
        return "More than half of the allowance is used."
    return ""
