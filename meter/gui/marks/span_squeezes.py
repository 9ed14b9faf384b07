"""How far the stages of a source held down during each span: for the receipt of two spans. No Qt."""

from __future__ import annotations

import math

from meter import figures
from meter.readings import PAIR_PREFIX, Frame
from meter.stage.findings import StageFindings

LEAST_CHANGE_DB = 0.2
ROUNDED_SECONDS = 1.0


class SpanSqueezes:
    """Usual squeeze in dB by the name of the pair, for each span by its time of day; for this run of the program."""

    def __init__(self) -> None:
        self._known: dict[float, dict[str, float]] = {}

    def observe(self, frame: Frame) -> None:
        """Keep what is known of the running span: only a phrase that lies in it counts."""
        last = frame.marks[-1] if frame.marks else None
        if last is None or not last.running:
            return
        length = last.seconds(frame.status.elapsed_seconds) + ROUNDED_SECONDS
        for key, found in frame.findings.items():
            stage = getattr(found, "stage", None)
            if (
                isinstance(stage, StageFindings)
                and stage.seconds <= length
                and math.isfinite(stage.squeeze.median_db)
            ):
                feed = frame.layout.feed_of(key.partition(".")[0])
                self._known.setdefault(last.at, {})[feed.removeprefix(PAIR_PREFIX)] = stage.squeeze.median_db

    def changes(self, first_at: float, second_at: float) -> list[str]:
        """``bus compressor 1.2 dB harder`` for each pair that is known in both spans and changed."""
        first, second = (self._known.get(at, {}) for at in (first_at, second_at))
        found = []
        for name in first:
            change_db = second.get(name, math.nan) - first[name]
            if abs(change_db) >= LEAST_CHANGE_DB:
                how = "harder" if change_db > 0.0 else "lighter"
                found.append(f"{name} {figures.with_unit(abs(change_db), 'dB')} {how}")
        return found
