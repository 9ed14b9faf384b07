"""Overs and clipped runs among the readings of a chain, each once, for the day record. [dsp]

Any meter may tell of them: fields ``over_at``, ``over_channel``, ``over_peak`` and ``over_count`` of one size, and
``clip_at``, ``clip_channel`` and ``clip_count``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from dsp.core.types import FloatArray
from meter.engine.chain import Chain
from meter.logbook.day_record import CLIP, OVER
from meter.readings import Slot

GROWS_SECONDS = 1.2
"""Those within a second are one incident; until then its count and its peak may grow."""


@dataclass(frozen=True)
class Incident:
    """``place`` is on the audio clock in seconds; ``figures`` are its count, channel (from 1), and a peak in dBTP."""

    kind: str
    feed: str
    place: float
    words: str
    figures: dict[str, float]


@dataclass
class _List:
    kind: str
    feed: str
    slots: dict[str, Slot]
    told: float = -math.inf


class Incidents:
    """Finds what is new in the lists of incidents of one chain."""

    def __init__(self, chain: Chain) -> None:
        self._lists: list[_List] = []
        for meter in chain.meters:
            for kind in (OVER, CLIP):
                prefix = f"{meter.id}.{kind}_"
                slots = {
                    name: slot
                    for name in ("at", "channel", "peak", "count")
                    if (slot := chain.layout.by_key.get(prefix + name)) is not None
                }
                if {"at", "channel", "count"} <= set(slots) and len({slot.size for slot in slots.values()}) == 1:
                    self._lists.append(_List(kind, meter.feed, slots))

    def restart(self) -> None:
        """The audio clock restarts at 0."""
        for each in self._lists:
            each.told = -math.inf

    def go_on(self, readings: FloatArray) -> None:
        """What is there already was told: meters go on from before, or from restored state."""
        for each in self._lists:
            each.told = float(np.nan_to_num(_values(readings, each.slots["at"])[-1], nan=-math.inf))

    def found(self, readings: FloatArray, elapsed: float, *, at_the_end: bool = False) -> Iterator[Incident]:
        """Those that are new at ``elapsed`` seconds; ``at_the_end`` also those that might grow."""
        for each in self._lists:
            at = _values(readings, each.slots["at"])
            if at[-1] <= each.told or math.isnan(at[-1]):
                continue
            until = math.inf if at_the_end else elapsed - GROWS_SECONDS
            new = np.flatnonzero((at > each.told) & (at <= until))
            for place in new.tolist():
                yield _incident(each, readings, place)
            if len(new):
                each.told = float(at[new[-1]])


def _incident(each: _List, readings: FloatArray, place: int) -> Incident:
    found = {name: float(_values(readings, slot)[place]) for name, slot in each.slots.items()}
    count, channel = found["count"], found["channel"] + 1.0
    figures = {"count": count, "channel": channel}
    many = f", {count:.0f} times" if count > 1 else ""
    words = f"Clipped in channel {channel:.0f}{many}."
    if each.kind == OVER and "peak" in found:
        figures["peak_dbtp"] = found["peak"]
        words = f"Over: {found['peak']:+.1f} dBTP in channel {channel:.0f}{many}."
    return Incident(each.kind, each.feed, found["at"], words, figures)


def _values(readings: FloatArray, slot: Slot) -> FloatArray:
    return readings[slot.offset : slot.offset + slot.size]
