"""Instances: a meter can stand on a page several times, each time on a feed of its own.

The first instance of a meter has the meter's id and the feed that its manifest names. Further ones are numbered from
2: ``vu_2``, ``vu_3``. An instance has readings, settings and saved state of its own, under its id.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping

import msgspec

MOST_FURTHER = 16
"""Further instances of all meters together: each is measured all the time."""
FIRST_NUMBER, LAST_NUMBER = 2, 999
LONGEST_FEED = 80
_NUMBER = re.compile("[1-9][0-9]{0,2}")
PART_PREFIX = "part "
"""A feed's name begins with this when it is one bus or track."""
PAIR_PREFIX = "pair "
"""A feed's name begins with this when it is the sound before and after a stage."""


class Instance(msgspec.Struct, frozen=True):
    """One meter on one feed; its readings have keys that begin with ``id``."""

    id: str
    meter: str
    feed: str

    @property
    def first(self) -> bool:
        """True for the instance that every enabled meter has."""
        return self.id == self.meter


def feed_title(feed: str) -> str:
    """A feed as a person calls it: ``drums`` for ``part drums``, ``tape`` for ``pair tape``."""
    return feed.removeprefix(PAIR_PREFIX if feed.startswith(PAIR_PREFIX) else PART_PREFIX)


def first_key(key: str) -> str:
    """The key of a reading as the first instance of its meter has it: ``vu.now`` for ``vu_2.now``."""
    instance, dot, name = key.partition(".")
    meter, _, number = instance.rpartition("_")
    return f"{meter}{dot}{name}" if meter and _NUMBER.fullmatch(number) and int(number) >= FIRST_NUMBER else key


def pair_instances(meter: str, feeds: Iterable[str]) -> tuple[Instance, ...]:
    """The instances of a meter of pairs: one for each pair among ``feeds``, in their order, the first without number.

    Without a pair there is the first alone, on a feed that no source has.
    """
    pairs = [feed for feed in feeds if feed.startswith(PAIR_PREFIX)] or [PAIR_PREFIX.strip()]
    return tuple(
        Instance(meter if number == 1 else f"{meter}_{number}", meter, feed) for number, feed in enumerate(pairs, 1)
    )


def next_id(meter: str, taken: Collection[str]) -> str:
    """The id of one more instance of a meter: the lowest number that is free."""
    return next(name for number in range(FIRST_NUMBER, LAST_NUMBER + 1) if (name := f"{meter}_{number}") not in taken)


def usable_instances(kept: Iterable[Instance], meters: Mapping[str, str]) -> tuple[Instance, ...]:
    """Those of the further instances that can stand, in their order; never raises.

    ``meters`` has the ids of all meters, each with the reason why there is only one of it, or an empty string. Left
    out are instances of meters that are not there or stand only once, what is no number of its meter, what is there
    twice, and what is over ``MOST_FURTHER``.
    """
    found: dict[str, Instance] = {}
    for each in kept:
        known = meters.get(each.meter) == "" and each.id not in meters and each.id not in found
        number = _NUMBER.fullmatch(each.id.removeprefix(f"{each.meter}_"))
        numbered = number is not None and each.id == f"{each.meter}_{number[0]}" and int(number[0]) >= FIRST_NUMBER
        named = 0 < len(each.feed) <= LONGEST_FEED and each.feed.isprintable()
        if known and numbered and named and len(found) < MOST_FURTHER:
            found[each.id] = each
    return tuple(found.values())
