"""What the study of a pair finds: the sound before and after one stage, live."""

from __future__ import annotations

import math

import msgspec

from meter.stage.findings import StageFindings

LISTENING, SILENT, UNRELATED, LINING_UP, FOUND = "listening", "silent", "unrelated", "lining up", "found"


class PairFindings(msgspec.Struct, frozen=True):
    """``state`` is one of the words above.

    ``stage`` is the account of the newest phrase of about 20 s, which has ``seconds`` of sound; it stays while the
    sound rests, and is None until a second of it is lined up. The changes are of loudness in LU and of plain power in
    20 to 120 Hz in dB, after less before, over the newest 3 s and since the mark; NaN while nothing can be said.
    ``silent_side`` is "before", "after", "both" or empty. ``counted_seconds`` is where in the sound since the last
    change of lag the account was made.
    """

    state: str = LISTENING
    seconds: float = 0.0
    stage: StageFindings | None = None
    change_3s_lu: float = math.nan
    low_change_3s_db: float = math.nan
    change_mark_lu: float = math.nan
    low_change_mark_db: float = math.nan
    silent_side: str = ""
    notes: tuple[str, ...] = ()
    counted_seconds: float = 0.0
