"""What a turn of the monitor control does to a calibration. No Qt.

A setting that was calibrated itself has its own offset. Any other takes the offset of one that was, moved by the
difference between the two as their names or the user say, and is less sure by what such a difference is worth.
"""

from __future__ import annotations

from dataclasses import dataclass

from meter.settings import FULL, Calibration, MonitorState, Settings

TURN_DOUBT_DB = 2.0
"""What a control's marks or a typed change may be off by (common practice, no source)."""
LEAST_CHANGE_DB, MOST_CHANGE_DB = -80.0, 20.0
MOST_NAME_LENGTH = 24
MIX_POSITION = "my mix position"
"""Shown for the setting that is stored as ``full``."""
LEAST_OFFSET_DB, MOST_OFFSET_DB = 0.0, 200.0
"""What the listening meter takes."""


@dataclass(frozen=True)
class Seat:
    """How the level of the feed becomes a level at the seat, and on whose word."""

    offset_db: float
    doubt_db: float
    words: str
    made_from: Calibration


def seat_at(settings: Settings, state: MonitorState) -> Seat | None:
    """The offset at this setting; None where nothing was calibrated that it could be reckoned from."""
    found = settings.calibrations_for(state.source, state.heard_on)
    words = state_words(state)
    for entry in found:
        if entry.setting == state.setting and LEAST_OFFSET_DB <= entry.offset_db <= MOST_OFFSET_DB:
            return Seat(entry.offset_db, entry.doubt_db, words, entry)
    changes = settings.changes_of(state.source, state.heard_on)
    known = [entry for entry in found if entry.setting in changes]
    if state.setting not in changes or not known:
        return None
    nearest = min(known, key=lambda entry: (abs(changes[state.setting] - changes[entry.setting]), entry.doubt_db))
    offset_db = nearest.offset_db + changes[state.setting] - changes[nearest.setting]
    if not LEAST_OFFSET_DB <= offset_db <= MOST_OFFSET_DB:
        return None
    return Seat(offset_db, nearest.doubt_db + TURN_DOUBT_DB, words, nearest)


def setting_words(setting: str) -> str:
    """The name of a position of the monitor knob as it is shown."""
    return MIX_POSITION if setting == FULL else setting


def state_words(state: MonitorState) -> str:
    """``loudspeakers``, ``loudspeakers at −10``."""
    return state.heard_on if state.setting == FULL else f"{state.heard_on} at {state.setting}"


def typed_change(text: str) -> float:
    """The change re full in dB that the user typed. Raises ValueError with one sentence."""
    try:
        change = float(text.strip().replace(",", ".").replace("−", "-").removesuffix("dB").strip())
    except ValueError:
        change = float("nan")
    if not LEAST_CHANGE_DB <= change <= MOST_CHANGE_DB:
        raise ValueError(
            f"Type how far the knob is from your mix position, from −{-LEAST_CHANGE_DB:g} to +{MOST_CHANGE_DB:g} dB."
        )
    return change


def typed_name(text: str) -> str:
    """The name of a setting. Raises ValueError with one sentence."""
    name = " ".join(text.split())
    if not name or len(name) > MOST_NAME_LENGTH:
        raise ValueError(f"Type a name for this setting, at most {MOST_NAME_LENGTH} letters long.")
    return name
