"""The study of tone drift: the last ten seconds, searched for in the earlier sound."""

from __future__ import annotations

from dsp.passages.passages import PassageStretch, find_passage
from meter.builtin.drift.findings import DriftFindings
from meter.plugin.api import Settings


def drift(stretch: PassageStretch, _settings: Settings, _before: DriftFindings | None) -> DriftFindings:
    """The change of tone of the passage in ``stretch`` since it was first heard."""
    verdict, same = find_passage(stretch)
    if same is None:
        return DriftFindings(verdict)
    return DriftFindings(
        verdict, same.seconds_ago, same.likeness, same.top_change_db, same.low_change_db, same.level_change_db
    )
