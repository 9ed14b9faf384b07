"""What the study of a loop's repeats finds."""

from __future__ import annotations

import math

import msgspec

LISTENING, NOTHING_REPEATS, REPEATS_DIFFER = "listening", "nothing repeats", "repeats differ"
NO_SWITCH, NOT_CLEAR, TOO_SHORT, FOUND = "no switch", "not clear", "too short", "found"


class FairRepeats(msgspec.Struct, frozen=True):
    """The second state of a loop against the first, at the same bars.

    ``change_lu`` is K-weighted, ``low_change_db`` plain power in 20 to 120 Hz (NaN without lows), ``trim_db`` makes
    the second as loud as the first. ``marked``: marks gave the states, the first is what played before the first
    mark; otherwise the second is the louder one. ``second_plays`` says which state was playing. ``seconds`` of the
    loop were heard in both. ``at`` is where the stream was, in seconds. ``turns`` of the loop, newest first, hold
    runs of one state: from where to where as a share of the loop, and whether it is the second.
    """

    verdict: str
    change_lu: float
    trim_db: float
    low_change_db: float
    seconds: float
    marked: bool
    second_plays: bool
    at: float
    turns: tuple[tuple[tuple[float, float, bool], ...], ...] = ()


class RepeatFindings(msgspec.Struct, frozen=True):
    """``outcome`` is one of the words above; ``fair`` the newest comparison, ``age_seconds`` old, None before one.

    ``loop_seconds`` is the length of what repeats and ``plays`` how many turns of it are compared, 0 for none.
    ``compared_seconds`` of it were heard in both states.
    """

    outcome: str = LISTENING
    loop_seconds: float = 0.0
    plays: int = 0
    compared_seconds: float = 0.0
    fair: FairRepeats | None = None
    age_seconds: float = math.nan
