"""The chain: one block goes to every meter, one array of readings comes back. No thread, no clock of its own."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np

from dsp.core.channel_roles import default_roles
from dsp.core.types import FloatArray, Spec
from meter.engine.guard import GuardedMeter
from meter.engine.saved_state import MeterKept
from meter.engine.snapshot import CAPACITY
from meter.engine.status import STATUS_WORDS
from meter.feeds import ALL, MIX, PAIR, check_feeds
from meter.instances import feed_title
from meter.plugin.api import Readout, Settings
from meter.plugin.services import FEED_MAP
from meter.readings import Layout, Slot, part_names

REMOVE = "remove another card or disable this meter"
NAME_FEEDS = "name the feeds (F) if that is wrong"


def assumed_words(source: str, channels: int, fix: str) -> str:
    """What is assumed of a mix whose source does not tell the positions of its channels."""
    roles = default_roles(channels)
    named = any(not role.isdecimal() for role in roles)
    how = f"are taken as {' '.join(roles)}" if named else "count alike in loudness, a low-frequency one too"
    return f"'{source}' does not say which of its {channels} channels is which; they {how}; {fix}."


def no_feed(meter: GuardedMeter) -> str:
    """Why a meter does not run on a source without its feed."""
    if meter.instance.first:
        return f"Meter “{meter.name}” listens to the feed “{meter.feed}”, which is not connected."
    fix = "name the feeds (F), or choose another feed in the menu of this card"
    return f"This source has no feed “{feed_title(meter.feed)}”; {fix}."


def served(
    meters: Sequence[GuardedMeter], known: Mapping[str, tuple[int, ...]], parts: int
) -> tuple[list[GuardedMeter], dict[str, str]]:
    """The meters whose feed is known, and the others by id with the reason.

    A further instance, or a meter by others, also needs room in a snapshot.

    A meter of pairs on a source without one is no fault: its face tells how to name a stage.
    """
    found: list[GuardedMeter] = []
    left_out: dict[str, str] = {}
    total = STATUS_WORDS
    for meter in meters:
        if meter.feed not in known:
            left_out |= {} if meter.feed == PAIR else {meter.id: no_feed(meter)}
            continue
        size = sum(item.values(len(known[meter.feed]), parts) for item in meter.manifest.fields)
        if not (meter.instance.first and meter.ours) and total + size > CAPACITY:
            left_out[meter.id] = f"There is no room for the readings of “{meter.name}” ({size:,} values); {REMOVE}."
            continue
        total += size
        found.append(meter)
    return found, left_out


class Chain:
    """Meters over the feeds of one clock. All methods are called from one thread. [dsp]

    ``feeds`` maps a feed's name to its columns. A meter of the feed "all" gets every channel; one
    whose feed is not in the map is left out, with the reason in ``faults``. ``leave`` is called when the meters have
    done what they were asked. ``roles`` are those of the source's channels, in order, where it tells them. Meters
    ``going_on`` were prepared for the same source by a chain before this one, and keep what they measured. Raises
    ValueError when the map does not fit the channel count.
    """

    def __init__(
        self,
        meters: Sequence[GuardedMeter],
        rate_hz: int,
        channels: int,
        feeds: Mapping[str, tuple[int, ...]],
        channel_names: tuple[str, ...] = (),
        leave: Callable[[], None] = lambda: None,
        roles: tuple[str, ...] = (),
        going_on: Collection[GuardedMeter] = (),
    ) -> None:
        check_feeds(feeds, channels)
        self._assumes = 0 if roles else len(feeds.get(MIX, ()))
        known = {**feeds, ALL: tuple(range(channels))}
        wanted = {meter.feed for meter in meters}
        self._columns = {name: self._pick(columns, channels) for name, columns in known.items() if name in wanted}
        self.meters, self._left_out = served(meters, known, len(part_names(feeds)))
        widths = {meter.id: len(known[meter.feed]) for meter in self.meters}
        fields = {meter.id: meter.manifest.fields for meter in self.meters}
        instances = tuple(meter.instance for meter in self.meters)
        self.layout = Layout.build(fields, widths, feeds, channel_names, instances)
        self.values = np.full(self.layout.total, np.nan)
        self._apart: list[tuple[slice, FloatArray]] = []
        """Where the readings of each meter by others go, and the array of its own that it writes them to."""
        self._readouts = [self._readout(meter) for meter in self.meters]
        self._differences = self._find_differences()
        self._leave = leave
        for meter in self.meters:
            if meter in going_on:
                meter.forget_read()
                continue
            whole = known[meter.feed] == tuple(range(channels))
            feed_map = dict(feeds) if FEED_MAP in meter.services else {}
            meter.prepare(Spec(rate_hz, widths[meter.id], roles if whole else (), feed_map))
        self._leave()

    @property
    def faults(self) -> dict[str, str]:
        """Meters that do not run, with one sentence each."""
        return self._left_out | {meter.id: meter.fault for meter in self.meters if meter.fault}

    def assumed(self, source: str, fix: str) -> str:
        """One sentence where loudness rests on an assumed order of the mix's channels, otherwise empty."""
        return assumed_words(source, self._assumes, fix) if self._assumes > 2 else ""

    def process(self, block: FloatArray) -> None:
        """Feed ``(frames, channels)`` float64, finite, to every meter; none of them can write into it."""
        feeds = {name: block[:] if columns is None else block[:, columns] for name, columns in self._columns.items()}
        for feed in feeds.values():
            feed.flags.writeable = False
        for meter in self.meters:
            meter.process(feeds[meter.feed])
        self._leave()

    def take(self, piece: FloatArray | int) -> None:
        """Process a block, or skip that many frames: a piece as the sanitiser gives it."""
        if isinstance(piece, int):
            self.skip(piece)
        else:
            self.process(piece)

    def skip(self, frames: int) -> None:
        """Tell every meter that frames are missing here."""
        for meter in self.meters:
            meter.skip(frames)
        self._leave()

    def blame_for_loss(self) -> None:
        """Sound is being lost: quarantine the meter that is furthest behind, if one is at all."""
        if self.meters:
            max(self.meters, key=lambda meter: 0.0 if meter.fault else meter.seconds_behind).blame_for_loss()

    def read(self) -> FloatArray:
        """All readings as one array in the order of ``layout``, of all sound so far; the same array at each call."""
        for meter, out in zip(self.meters, self._readouts, strict=True):
            meter.read(out)
        return self._complete()

    def read_live(self) -> FloatArray:
        """The same; a meter that takes sound every so many seconds reads as of its last piece."""
        for meter, out in zip(self.meters, self._readouts, strict=True):
            meter.read_if_new(out)
        return self._complete()

    def _complete(self) -> FloatArray:
        self._leave()
        for place, values in self._apart:
            self.values[place] = values
        for offset, first, second in self._differences:
            self.values[offset] = self._difference(float(self.values[first]), float(self.values[second]))
        return self.values

    def reset(self) -> None:
        """Forget the signal in every meter; settings stay."""
        for meter in self.meters:
            meter.reset()
        self._leave()

    def mark(self) -> None:
        """Restart the figures since the mark."""
        for meter in self.meters:
            meter.mark()
        self._leave()

    def save_state(self) -> dict[str, MeterKept]:
        """The state of the meters since the reset, by ``state_key``; those without are left out."""
        kept = {meter.state_key: (meter.manifest.version, meter.save_state()) for meter in self.meters}
        self._leave()
        return {key: MeterKept(version, what) for key, (version, what) in kept.items() if what is not None}

    def restore_state(self, kept: Mapping[str, MeterKept]) -> list[str]:
        """Restore each meter from one of the same id, feed and version; returns the names of those that restarted."""
        restarted = []
        for meter in self.meters:
            found = kept.get(meter.state_key)
            same = found is not None and found.version == meter.manifest.version
            if not meter.fault and not (same and found is not None and meter.restore_state(found.kept)):
                restarted.append(meter.name)
        self._leave()
        return restarted

    def configure(self, meter_id: str, settings: Settings) -> None:
        """Change one meter's settings; raises ValueError with one sentence."""
        for meter in self.meters:
            if meter.id == meter_id:
                meter.configure(settings)
                return
        raise ValueError(f"There is no meter “{meter_id}” to set.")

    @staticmethod
    def _pick(columns: tuple[int, ...], channels: int) -> list[int] | None:
        return None if columns == tuple(range(channels)) else list(columns)

    def _readout(self, meter: GuardedMeter) -> Readout:
        """Where a meter writes; one by others cannot reach the readings of the rest from there."""
        slots = self._slots(meter.id)
        if meter.ours or not slots:
            return Readout(meter.id, slots, self.values)
        start, end = slots[0].offset, slots[-1].offset + slots[-1].size
        values = np.full(end - start, np.nan)
        self._apart.append((slice(start, end), values))
        return Readout(meter.id, tuple(replace(slot, offset=slot.offset - start) for slot in slots), values)

    def _slots(self, meter_id: str) -> tuple[Slot, ...]:
        return tuple(slot for slot in self.layout.slots if slot.key.startswith(f"{meter_id}."))

    def _find_differences(self) -> list[tuple[int, int, int]]:
        """Offsets (result, first, second) of fields that are the difference of two readings of this chain."""
        found = []
        for meter in self.meters:
            for item in meter.manifest.fields:
                keys = [self.layout.key(meter.id, key) for key in item.minus or ()]
                if keys and all(key in self.layout.by_key for key in keys):
                    first, second = (self.layout.by_key[key].offset for key in keys)
                    found.append((self.layout.by_key[f"{meter.id}.{item.key}"].offset, first, second))
        return found

    @staticmethod
    def _difference(first: float, second: float) -> float:
        return first - second if np.isfinite(first) and np.isfinite(second) else float("nan")
