"""The study of a pair: the newest phrase before and after a stage, followed and lined up, to findings."""

from __future__ import annotations

from dsp.stage.pair_follower import FOUND, LEAST_SECONDS, SILENT, PairFollower
from dsp.stage.pair_sound import PairStretch
from dsp.stage.stage_stream import StagePart
from meter.builtin.stage.findings import PairFindings
from meter.plugin.api import Settings
from meter.stage.findings import StageFindings
from meter.stage.study import stage

OFTEN_SECONDS, SELDOM_SECONDS, SETTLED_SECONDS = 0.5, 3.0, 10.0
"""Sound between two accounts of the phrase: often while it is short and each second tells."""


def pair(stretch: PairStretch, _settings: Settings, before: PairFindings | None) -> PairFindings:
    """What the stage does to the sound in ``stretch`` and before it."""
    follower = stretch.followed()
    phrase = follower.phrase
    parts = phrase.parts()
    short, marked = phrase.changes(parts)
    account, counted = _account(follower, parts, before)
    return PairFindings(
        follower.state, account.seconds if account is not None else 0.0, account,
        short.loud_lu, short.low_db, marked.loud_lu, marked.low_db, follower.silent_side, follower.notes, counted,
    )  # fmt: skip


def _account(
    follower: PairFollower, parts: list[StagePart], before: PairFindings | None
) -> tuple[StageFindings | None, float]:
    """The account of the phrase, the last one where it is not due again; and where in the sound it was made."""
    phrase = follower.phrase
    counted = phrase.frames / follower.rate_hz
    if follower.state not in (FOUND, SILENT) or phrase.seconds < LEAST_SECONDS:
        return None, 0.0
    if before is not None and before.stage is not None:
        wait = SELDOM_SECONDS if counted >= SETTLED_SECONDS else OFTEN_SECONDS
        if 0.0 <= counted - before.counted_seconds < wait:
            return before.stage, before.counted_seconds
    return stage(phrase.stretch(parts), follower.alignment, follower.rate_hz, follower.notes), counted
