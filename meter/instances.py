"""Instances: a meter can stand on a page several times, each time on a feed of its own.

The first instance of a meter has the meter's id and the feed that its manifest names. Further ones are numbered
from 2: ``vu_2``, ``vu_3``. An instance has readings, settings and saved state of its own, under its id.
"""

from __future__ import annotations

import msgspec


class Instance(msgspec.Struct, frozen=True):
    """One meter on one feed; its readings have keys that begin with ``id``."""

    id: str
    meter: str
    feed: str

    @property
    def first(self) -> bool:
        """True for the instance that every enabled meter has."""
        return self.id == self.meter
