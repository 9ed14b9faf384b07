"""The study of a loop's repeats: the sound that is kept, to fair or not."""

from __future__ import annotations

import math

from dsp.passages.repeat_stream import RepeatStretch
from dsp.passages.repeats import TwoStates, compare_repeats
from meter.builtin.repeats.findings import FairRepeats, RepeatFindings
from meter.plugin.api import Settings
from meter.stage.study import verdict_of


def states(stretch: RepeatStretch, _settings: Settings, before: RepeatFindings | None) -> RepeatFindings:
    """Compare the repeats in ``stretch``; without a comparison the one in ``before`` is kept, with its age."""
    found = compare_repeats(stretch)
    now = stretch.end_seconds
    kept = before.fair if before is not None else None
    fair = kept if found.states is None else _fair(found.states, now)
    age = math.nan if fair is None else now - fair.at
    return RepeatFindings(found.outcome, found.loop_seconds, found.plays, found.compared_seconds, fair, age)


def _fair(found: TwoStates, now: float) -> FairRepeats:
    return FairRepeats(
        verdict=verdict_of(found.change_lu),
        change_lu=found.change_lu,
        trim_db=-found.change_lu,
        low_change_db=found.low_change_db,
        seconds=found.seconds,
        marked=found.marked,
        second_plays=found.newest_is_second,
        at=now,
        turns=found.turns,
    )
