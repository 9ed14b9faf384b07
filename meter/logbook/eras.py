"""Eras: stretches noted under one setting of the wall clock, and how each lies on the clock as it is now.

A clock that is set wrong, or right again, begins a new era; minutes of two eras are never mixed. Each era keeps, for
every run of the machine it saw, the wall clock minus a clock that cannot be set. Two eras of one run are therefore
apart by a known time, and that is how a wrong clock is undone. Where no run is shared, as over a restart of the
machine, nothing is known, and what is noted counts as late as it can, so that none of it is lost from a share:

- what would lie in the future counts as just before the next era began;
- an era that lies before the end of an older one, and that is shorter than the step at its own end, was a clock set
  back for a while: it counts as just after that older one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from meter.logbook.history import IntArray
from meter.logbook.stored_levels import SECONDS_PER_MINUTE

MOST_LEAD_SECONDS = 600
"""A clock set back by less begins no era: the sitting goes on from the last second noted, ahead of the clock."""

EARLIEST = 1_735_689_600
"""1 January 2025: no copy of this program is as old, so an earlier clock is wrong."""

LONG_AGO = -(2**40)


@dataclass(frozen=True)
class Noted:
    """One era as it is noted: first and last second on its own clock, and its clock minus the steady one, in seconds,
    for each run of the machine by name.
    """

    era: int
    first: int
    last: int
    anchors: Mapping[str, int]


@dataclass(frozen=True)
class Here:
    """The present: seconds since 1970, the run of the machine (empty where the system has no name for it), and the
    wall clock minus the steady one.
    """

    now: int
    boot: str
    anchor: int


@dataclass(frozen=True)
class Placed:
    """How the minutes of one era lie on the present clock; all in minutes but ``era``."""

    era: int
    shift: int
    now: int
    otherwise: int
    """What lies after ``now`` counts as this minute."""
    least: int
    """Nothing counts earlier than this."""
    ended: bool

    def at(self, minutes: IntArray) -> IntArray:
        """The minutes that these count for."""
        at = minutes + self.shift
        at[at > self.now] = self.otherwise
        at[at < self.least] = self.least
        return at

    def first(self, minute: int) -> int:
        """The first minute on the era's own clock that may count for ``minute`` or later."""
        return LONG_AGO if self.least > LONG_AGO else minute - self.shift


def is_another(newest: Noted | None, older: list[Noted], here: Here) -> bool:
    """Whether the clock is another than in the newest era, so that a new one must begin."""
    if newest is None:
        return False
    if newest.last > here.now + MOST_LEAD_SECONDS:
        return True
    if here.boot in newest.anchors:
        return abs(here.anchor - newest.anchors[here.boot]) > MOST_LEAD_SECONDS
    return bool(_overtaken(newest, older, here.now)) or newest.last < EARLIEST <= here.now


def place(noted: list[Noted], here: Here) -> list[Placed]:
    """All eras on the present clock, the newest first; ``noted`` in order of age, the oldest first."""
    known = {here.boot: here.anchor} if here.boot else {}
    now, next_at = here.now // SECONDS_PER_MINUTE, here.now
    placed: list[Placed] = []
    for number in range(len(noted) - 1, -1, -1):
        era = noted[number]
        shared = [boot for boot in era.anchors if boot in known]
        shift = known[shared[0]] - era.anchors[shared[0]] if shared else 0
        shift = shift if abs(shift) > MOST_LEAD_SECONDS else 0
        for boot, anchor in era.anchors.items():
            known.setdefault(boot, anchor + shift)
        least = None if shared else _lifted_to(era, noted[:number], next_at)
        placed.append(
            Placed(
                era.era,
                round(shift / SECONDS_PER_MINUTE),
                now,
                min(here.now, next_at) // SECONDS_PER_MINUTE,
                LONG_AGO if least is None else min(least, here.now) // SECONDS_PER_MINUTE,
                ended=bool(placed),
            )
        )
        next_at = next_at if least is not None else min(next_at, era.first + shift)
    return placed


def _overtaken(era: Noted, older: list[Noted], now: int) -> list[int]:
    """Ends of older eras that lie after the beginning of this one and are past by now."""
    return [each.last for each in older if era.first < each.last <= now + MOST_LEAD_SECONDS]


def _lifted_to(era: Noted, older: list[Noted], next_at: int) -> int | None:
    """Where an era counts whose clock was wrong for a while, in seconds; None for any other."""
    ends = _overtaken(era, older, next_at)
    if ends and era.last - era.first < next_at - era.last:
        return max(ends)
    return next_at if era.last < EARLIEST <= next_at else None
