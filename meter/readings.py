"""Readings: keys, units and values that cross from meters to faces, tables and JSON.

A reading's key is ``meter.field`` (``loudness.short_term``); keys never change once shipped, labels may.
Silence is minus infinity, "not yet" is NaN.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from meter.instances import PAIR_PREFIX as PAIR_PREFIX
from meter.instances import PART_PREFIX as PART_PREFIX
from meter.instances import Instance, feed_title
from meter.marks import SUFFIX, Mark

FloatArray = NDArray[np.float64]

JSON_SUFFIX = {
    "": "", "LUFS": "lufs", "LU": "lu", "dBFS": "dbfs", "dBTP": "dbtp", "dB": "db", "VU": "vu", "Hz": "hz",
    "s": "seconds", "h": "hours", "min": "minutes", "%": "percent", "dB(A)": "dba", "dB(C)": "dbc",
    "dBFS(A)": "dbfs_a", "dBFS(C)": "dbfs_c", "ms": "ms", "frames": "frames", "count": "count",
}  # fmt: skip
"""Units a field may have, and the last word of its JSON key."""

MIX = "mix"
PER_CHANNEL = "channels"
PER_PART = "parts"

JSON_DECIMALS = 4
"""A ten-thousandth of a decibel: far below any doubt, and short enough to read."""


RECORD_LAST, RECORD_MAX, RECORD_MIN, RECORD_EACH = "last", "max", "min", "each"
RECORDED = (RECORD_LAST, RECORD_MAX, RECORD_MIN, RECORD_EACH)
"""How the readings of one second become what the day record keeps of it."""
RECORDED_EACH = 12
"""Values of one second that "each" keeps: ten, and two that come early. More are kept with the next second."""

ID_PATTERN = "^[a-z][a-z0-9_]{0,31}$"
"""How a meter, a field and a setting may be called."""


class Field(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One reading as its manifest declares it in a ``[[field]]`` table.

    ``size`` is a fixed number of values, ``"channels"`` (of its feed) or ``"parts"`` (feeds that are parts); ``each``
    is how many values every one of those has, one after the other. ``summary`` marks what ``measure`` reports.
    ``not_yet`` says in words why the value may be NaN, ``silence`` what minus infinity means, ``endless`` what
    plus infinity means. ``minus`` names two full keys whose difference this field is; the chain computes it and
    the processor does not write it. ``span`` names a figure since the mark in the list of spans, ``span_rank`` orders
    that list: the first few are also shown below the page.

    ``record`` puts the field into the day record, one figure a second: the "last" reading of the second, its highest
    ("max") or lowest ("min"). With ``counted_by``, the key of a field that counts on, the field holds its newest
    values, newest last, and only values that are new in this second count; "each" then keeps up to
    ``RECORDED_EACH`` of them.
    """

    key: Annotated[str, msgspec.Meta(pattern=ID_PATTERN)]
    unit: str
    size: int | str = 1
    each: int = 1
    label: str = ""
    not_yet: str = ""
    silence: str = "silence"
    endless: str = "without limit"
    summary: bool = False
    minus: tuple[str, str] | None = None
    span: str = ""
    span_rank: int = 100
    record: str = ""
    counted_by: str = ""

    def values(self, channels: int, parts: int) -> int:
        """How many numbers it takes on a feed of ``channels``, among so many parts."""
        count = {PER_CHANNEL: channels, PER_PART: parts}.get(str(self.size))
        return (int(self.size) if count is None else count) * self.each


@dataclass(frozen=True)
class Slot:
    """Where one reading lies in the flat array of a snapshot."""

    key: str
    unit: str
    offset: int
    size: int
    scalar: bool
    label: str = ""
    not_yet: str = ""
    silence: str = "silence"
    endless: str = "without limit"
    summary: bool = False
    span: str = ""
    span_rank: int = 100

    @property
    def json_key(self) -> str:
        """The key with its unit as last word: ``loudness.integrated_lufs``, ``vu.max_vu``."""
        suffix = JSON_SUFFIX[self.unit]
        return f"{self.key}_{suffix}" if suffix else self.key

    def why_not(self, value: float) -> str:
        """In words, why a value that is not finite is no number."""
        if math.isnan(value):
            return self.not_yet or "not yet"
        return self.silence if value < 0 else self.endless


class Layout:
    """All slots of one chain, in the order of its meters; the same in both processes.

    ``feeds`` names the columns of each feed of the source, ``channel_names`` its columns where it has names for them.
    ``instances`` says which meter has which feed; a meter that is not among them has the feed of its manifest.
    """

    def __init__(
        self,
        slots: tuple[Slot, ...],
        feeds: Mapping[str, tuple[int, ...]] | None = None,
        channel_names: tuple[str, ...] = (),
        instances: tuple[Instance, ...] = (),
    ) -> None:
        self.slots = slots
        self.instances = instances
        self._instance_of = {each.id: each for each in instances}
        self.feeds = dict(feeds or {})
        self.channel_names = channel_names
        self.parts = part_names(self.feeds)
        self.by_key: dict[str, Slot] = {slot.key: slot for slot in slots}
        self.total = sum(slot.size for slot in slots)

    @classmethod
    def build(
        cls,
        meters: Mapping[str, tuple[Field, ...]],
        channels: Mapping[str, int],
        feeds: Mapping[str, tuple[int, ...]] | None = None,
        channel_names: tuple[str, ...] = (),
        instances: tuple[Instance, ...] = (),
    ) -> Layout:
        """Lay out the fields of each instance's id; ``channels`` gives the width of its feed."""
        slots: list[Slot] = []
        parts = len(part_names(feeds or {}))
        offset = 0
        for meter_id, fields in meters.items():
            for item in fields:
                size = item.values(channels[meter_id], parts)
                scalar = item.size == 1 and item.each == 1
                slots.append(
                    Slot(
                        f"{meter_id}.{item.key}", item.unit, offset, size, scalar,
                        item.label, item.not_yet, item.silence, item.endless, item.summary, item.span, item.span_rank,
                    )
                )  # fmt: skip
                offset += size
        return cls(tuple(slots), feeds, channel_names, instances)

    def key(self, instance_id: str, name: str) -> str:
        """The full key of a reading or of findings as an instance calls it.

        ``"now"`` is its own, ``"peaks.true_max"`` that of another meter on the same feed; an empty string where that
        meter has no instance on this feed.
        """
        meter, dot, field_key = name.rpartition(".")
        own = self._instance_of.get(instance_id)
        if not dot or (own is not None and own.meter == meter):
            return f"{instance_id}.{field_key}"
        if own is None or own.first:
            return name
        same = (each.id for each in self.instances if (each.meter, each.feed) == (meter, own.feed))
        beside = next(same, "")
        return f"{beside}.{field_key}" if beside else ""

    def further_feed(self, key: str) -> str:
        """What the feed of a reading is called if its meter is a further instance; empty for a first one."""
        own = self._instance_of.get(key.partition(".")[0])
        return "" if own is None or own.first else feed_title(own.feed)

    def feed_of(self, instance_id: str) -> str:
        """The feed of an instance; "mix" for one that is not known."""
        own = self._instance_of.get(instance_id)
        return own.feed if own is not None else MIX


def part_names(feeds: Mapping[str, tuple[int, ...]]) -> tuple[str, ...]:
    """Names of the parts among feeds, in order and without the word "part"."""
    return tuple(name.removeprefix(PART_PREFIX) for name in feeds if name.startswith(PART_PREFIX))


@dataclass(frozen=True)
class FeedStatus:
    """The state of the feed: source, format, lost frames and faults.

    Frames are counts at ``rate_hz``. ``state`` is one of ``STATES``; ``sentence`` is
    empty unless there is a message. ``resampled`` is True when the system converts the sample rate.
    ``output`` is the system's name of the source, the key of its calibrations;
    ``output_changes`` counts its changes. ``device_channels`` is how many channels the source has, also those
    that were not asked for.
    """

    source: str = ""
    rate_hz: int = 0
    channels: int = 0
    state: str = "starting"
    sentence: str = ""
    frames: int = 0
    lost_frames: int = 0
    gaps: int = 0
    invalid_samples: int = 0
    overruns: int = 0
    latency_seconds: float = math.nan
    quarantined: Mapping[str, str] = field(default_factory=dict)
    resampled: bool = False
    output: str = ""
    output_changes: int = 0
    device_channels: int = 0

    @property
    def identity(self) -> str:
        """The name that identifies the source among others of its kind."""
        return self.output or self.source

    @property
    def elapsed_seconds(self) -> float:
        """Time on the audio clock, lost frames included."""
        return (self.frames + self.lost_frames) / self.rate_hz if self.rate_hz else 0.0

    @property
    def measured_share(self) -> float:
        """Share of that time that was heard, 0 to 1; 1 before any sound."""
        elapsed = self.frames + self.lost_frames
        return self.frames / elapsed if elapsed else 1.0

    @property
    def incomplete(self) -> bool:
        """True when more than 1 s, or more than 0.1 %, of the sound since R is missing."""
        share = self.lost_frames > MAX_LOST_SHARE * (self.frames + self.lost_frames)
        return share or self.lost_frames > MAX_LOST_SECONDS * self.rate_hz


MAX_LOST_SECONDS = 1.0
MAX_LOST_SHARE = 0.001
"""Missing sound that makes figures since R incomplete: no standard has a rule, these are our own choice."""

STATES = (
    "starting", "running", "held", "idle", "late", "lost", "reopening", "waiting", "ended", "failed", "invalid",
)  # fmt: skip


class Frame:
    """One consistent snapshot: values of every meter at one moment of the audio clock.

    ``findings`` are the newest results of the studies by ``meter.study``; the same mapping while none is new.
    ``marks`` are the marks so far in the order of time; the same tuple while the list does not change.
    """

    def __init__(
        self,
        layout: Layout,
        values: FloatArray,
        status: FeedStatus | None = None,
        findings: Mapping[str, Any] | None = None,
        marks: tuple[Mark, ...] = (),
    ) -> None:
        self.layout = layout
        self.values = values
        self.status = status or FeedStatus()
        self.findings: Mapping[str, Any] = {} if findings is None else findings
        self.marks = marks

    def apart(self) -> Frame:
        """The same for code by others: what it changes in it changes nothing for anybody."""
        status = replace(self.status, quarantined=dict(self.status.quarantined))
        return Frame(self.layout, self.values.copy(), status, dict(self.findings), self.marks)

    def __contains__(self, key: str) -> bool:
        return key in self.layout.by_key

    @property
    def feeds(self) -> Mapping[str, tuple[int, ...]]:
        """Columns of each feed of the source, by name."""
        return self.layout.feeds

    @property
    def parts(self) -> tuple[str, ...]:
        """Names of the parts, in the order of readings that have a value for each."""
        return self.layout.parts

    def number(self, key: str) -> float:
        """A scalar reading; NaN where this chain has no such key."""
        slot = self.layout.by_key.get(key)
        return float(self.values[slot.offset]) if slot is not None else math.nan

    def vector(self, key: str) -> FloatArray:
        """A reading of several values as a view; empty where this chain has no such key."""
        slot = self.layout.by_key.get(key)
        return self.values[slot.offset : slot.offset + slot.size] if slot is not None else np.empty(0)

    def table(self, key: str) -> FloatArray:
        """A reading with several values for each part as a view ``(parts, each)``; ``(0, 0)`` where there is none."""
        values = self.vector(key)
        return values.reshape(len(self.parts), -1) if len(values) and self.parts else np.empty((0, 0))

    def since_mark(self) -> dict[str, float]:
        """The figures since the mark by full key; those that are not yet known are left out.

        Of a field with several values that of ``KEY`` with index 3 is ``KEY.3``; a further instance's are left out.
        """
        found: dict[str, float] = {}
        for slot in self.layout.slots:
            if not slot.key.endswith(SUFFIX) or not (slot.scalar or not self.layout.further_feed(slot.key)):
                continue
            values = self.values[slot.offset : slot.offset + slot.size].tolist()
            keys = [slot.key] if slot.scalar else [f"{slot.key}.{number}" for number in range(slot.size)]
            found |= {key: value for key, value in zip(keys, values, strict=True) if not math.isnan(value)}
        return found

    def summary(self) -> dict[str, Any]:
        """The summary readings for JSON: numbers, or null with the reason under ``why``."""
        found: dict[str, Any] = {}
        why: dict[str, str] = {}
        for slot in self.layout.slots:
            if not slot.summary:
                continue
            value = float(self.values[slot.offset])
            if math.isfinite(value):
                found[slot.json_key] = round(value, JSON_DECIMALS) + 0.0  # no minus nought
            else:
                found[slot.json_key] = None
                fault = self.status.quarantined.get(slot.key.partition(".")[0])
                why[slot.json_key] = fault or slot.why_not(value)
        if why:
            found["why"] = why
        return found
