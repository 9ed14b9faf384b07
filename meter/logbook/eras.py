"""Eras: stretches recorded under one setting of the wall clock, and their place on the present clock.

Setting the clock starts a new era; minutes of two eras are never mixed. An era stores the wall clock minus a clock
that cannot be set, for each run of the machine in it. Two eras with a run in common are therefore a known time apart,
which corrects a wrong clock. Without a run in common, as after a restart of the machine, the offset is unknown. Such
minutes count as late as possible, so that none is lost from a share:

- minutes in the future count as just before the start of the next era;
- an era that starts before the end of an older one, and is shorter than the step at its end, is a clock that was set
  back for a while: it counts as just after the older era.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from meter.logbook.history import IntArray
from meter.logbook.stored_levels import SECONDS_PER_MINUTE

MOST_LEAD_SECONDS = 600
"""A clock set back by less starts no era: the sitting continues from its last second, ahead of the clock."""

EARLIEST = 1_735_689_600
"""1 January 2025, before the first release of this program: an earlier clock is wrong."""

LONG_AGO = -(2**40)


@dataclass(frozen=True)
class Noted:
    """One era as stored: first and last second on its wall clock. ``anchors`` is its wall clock minus the steady
    clock, in seconds, for each run of the machine.
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
    """The place of one era on the present clock; all in minutes except ``era``."""

    era: int
    shift: int
    now: int
    otherwise: int
    """Minutes after ``now`` count as this minute."""
    least: int
    """No minute counts earlier than this."""
    ended: bool

    def at(self, minutes: IntArray) -> IntArray:
        """The minutes on the present clock for ``minutes`` of this era."""
        at = minutes + self.shift
        at[at > self.now] = self.otherwise
        at[at < self.least] = self.least
        return at

    def first(self, minute: int) -> int:
        """The first minute on the era's own clock that may count for ``minute`` or later."""
        return LONG_AGO if self.least > LONG_AGO else minute - self.shift


def is_another(newest: Noted | None, older: list[Noted], here: Here) -> bool:
    """Whether the clock was set since the newest era, so that a new era must start."""
    if newest is None:
        return False
    if newest.last > here.now + MOST_LEAD_SECONDS:
        return True
    if here.boot in newest.anchors:
        return abs(here.anchor - newest.anchors[here.boot]) > MOST_LEAD_SECONDS
    return bool(_overtaken(newest, older, here.now)) or newest.last < EARLIEST <= here.now


def place(noted: list[Noted], here: Here) -> list[Placed]:
    """All eras on the present clock, the newest first; ``noted`` has the oldest first."""
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
    """Ends of older eras that are after the start of this one and not in the future."""
    return [each.last for each in older if era.first < each.last <= now + MOST_LEAD_SECONDS]


def _lifted_to(era: Noted, older: list[Noted], next_at: int) -> int | None:
    """The second at which an era counts whose clock was wrong for a while; None for other eras."""
    ends = _overtaken(era, older, next_at)
    if ends and era.last - era.first < next_at - era.last:
        return max(ends)
    return next_at if era.last < EARLIEST <= next_at else None
