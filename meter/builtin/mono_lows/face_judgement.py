"""What the low end does in mono, as a word that stays until another one has lasted.

A loss is told after 1 s, its end after 3 s. Another band is named when it loses 1 dB more than the one named for 2 s
(common practice, no source). A lean is no judgement: it is told in a line of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from meter.gui.kit.steady import Steady
from meter.readings import Frame

SOLID, ONE_SIDE, PARTLY, BUT, LARGELY, ALL = "solid", "one side", "partly", "but", "largely", "all"
WATCH = 2.0
TOLD_DB = 0.5
"""Up to this loss the low end is solid as a whole (common practice, no source)."""
UNRELATED_DB = -3.0
"""Mono loss of two uncorrelated channels of equal level. A band that loses as much or more "largely cancels"."""
ONE_SIDED_DB = 10.0
"""A band panned this far loses level in mono without any cancellation."""
WORSE_SECONDS, BETTER_SECONDS, BAND_SECONDS = 1.0, 3.0, 2.0
BAND_LEAD_DB = 1.0


@dataclass(frozen=True)
class Judgement:
    """``kind`` is one of the words above; ``band`` is the index of the band that loses, -1 for none."""

    kind: str
    band: int

    @property
    def solid(self) -> bool:
        """Whether there is nothing to tell."""
        return self.kind == SOLID


class Judge:
    """Follows the readings of one meter and gives the judgement to show."""

    def __init__(self) -> None:
        self._kind: Steady[str] = Steady(WORSE_SECONDS)
        self._band: Steady[int] = Steady(BAND_SECONDS)
        self._shown_band = -1

    def clear(self) -> None:
        """Take the next judgement at once."""
        self._kind.clear()
        self._band.clear()
        self._shown_band = -1

    def follow(self, frame: Frame, meter_id: str) -> Judgement:
        """The judgement at the time of the snapshot."""
        now = frame.status.elapsed_seconds
        band = self._worst(frame, meter_id, now)
        wanted = _kind(frame, meter_id, band)
        wait = {SOLID: BETTER_SECONDS, ALL: 0.0}.get(wanted, WORSE_SECONDS)
        kind = self._kind.follow(wanted, now, wait)
        return Judgement(kind, -1 if kind in (SOLID, ALL) else band)

    def _worst(self, frame: Frame, meter_id: str, now: float) -> int:
        """The band to name: the worst, or the one named before while it loses nearly as much."""
        losses, worst = frame.vector(f"{meter_id}.band_loss"), frame.number(f"{meter_id}.worst_band")
        wanted = int(worst) if math.isfinite(worst) and 0 <= worst < len(losses) else -1
        before = self._shown_band
        if wanted < 0 or not 0 <= before < len(losses) or math.isnan(losses[before]):
            self._band.clear()
        elif not losses[wanted] < losses[before] - BAND_LEAD_DB:
            wanted = before
        self._shown_band = self._band.follow(wanted, now)
        return self._shown_band


def _kind(frame: Frame, meter_id: str, band: int) -> str:
    loss = frame.number(f"{meter_id}.loss_now")
    if loss == -math.inf:
        return ALL
    if band < 0:
        return SOLID
    band_loss = frame.vector(f"{meter_id}.band_loss")[band]
    if not (frame.number(f"{meter_id}.verdict") >= WATCH and loss < -TOLD_DB):
        return BUT if band_loss <= UNRELATED_DB else SOLID
    if abs(frame.vector(f"{meter_id}.band_balance")[band]) >= ONE_SIDED_DB:
        return ONE_SIDE
    return LARGELY if band_loss <= UNRELATED_DB else PARTLY
