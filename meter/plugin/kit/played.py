"""One processor as the host would drive it, with every departure from the contract reported in words."""

from __future__ import annotations

import weakref
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from dsp.core.types import FloatArray, Spec
from meter.feeds import ALL, MIX, PAIR
from meter.plugin.api import Readout, Setting, Settings
from meter.plugin.host import Plugin, load_processor
from meter.plugin.kit.outcome import CheckFailed
from meter.plugin.manifest import Manifest
from meter.plugin.services import FEED_MAP
from meter.readings import Layout

RATE_HZ = 48_000
PARTS: Mapping[str, tuple[int, ...]] = {MIX: (0, 1), "part low drum": (2,), "part strings": (3, 4)}
"""The feeds of a source for a meter that listens to all of them."""
WHOLE_SECONDS = 5.0
"""Sound is fed in pieces of at most this length, as the engine does it."""

KIT_PAIR = "pair kit"
"""The pair of a meter that stands for each one."""

Readings = dict[str, FloatArray]


class TrackedReadout(Readout):
    """A readout that reports a wrong key or size in words, and remembers what was written."""

    def __init__(self, meter_id: str, layout: Layout, values: FloatArray) -> None:
        super().__init__(meter_id, layout.slots, values)
        self._sizes = {slot.key.partition(".")[2]: slot.size for slot in layout.slots}
        self.written: set[str] = set()

    def __setitem__(self, key: str, value: Any) -> None:
        if key not in self._sizes:
            raise CheckFailed(f"read() writes the field “{key}”, which the manifest does not declare.")
        try:
            super().__setitem__(key, value)
        except (TypeError, ValueError) as error:
            given = np.shape(value) if not isinstance(value, str) else value
            shape = f"an array of shape {given}" if isinstance(given, tuple) else repr(given)
            wanted = f"{self._sizes[key]} numbers" if self._sizes[key] != 1 else "one number"
            raise CheckFailed(f"read() writes {shape} into the field “{key}”, which takes {wanted}.") from error
        self.written.add(key)


class Played:
    """A processor that is fed, told of gaps, and read by key.

    ``feeds`` are those of the source; without them a meter of all feeds gets ``PARTS`` and another ``channels`` of
    its own feed. ``settings`` are those that differ from the manifest's.
    """

    def __init__(
        self,
        plugin: Plugin,
        rate_hz: int = RATE_HZ,
        channels: int = 2,
        feeds: Mapping[str, tuple[int, ...]] | None = None,
        settings: Settings | None = None,
    ) -> None:
        manifest = plugin.manifest
        assert manifest is not None
        self.manifest: Manifest = manifest
        self.rate_hz = rate_hz
        if feeds is None:
            feeds = PARTS if manifest.feed == ALL else {own_feed(manifest): tuple(range(channels))}
        self.channels = columns_of(feeds) if manifest.feed == ALL else channels
        self.chosen: dict[str, Setting] = dict(settings or {})
        self.processor = load_processor(plugin)
        self.configure()
        self.spec = Spec(rate_hz, self.channels, feeds=feeds if FEED_MAP in manifest.services else {})
        self.processor.prepare(self.spec)
        self.layout = Layout.build({manifest.id: manifest.fields}, {manifest.id: self.channels}, feeds)
        self.values = np.full(self.layout.total, np.nan)
        self._out = TrackedReadout(manifest.id, self.layout, self.values)
        self._ever_written: set[str] = set()

    def configure(self, **chosen: Setting) -> None:
        """Change settings, as the engine does it: all of them are handed over."""
        self.chosen |= chosen
        self.processor.configure(self.manifest.settings(self.chosen))

    def feed(self, sound: FloatArray, sizes: Sequence[int] = ()) -> None:
        """Process ``(frames, channels)`` in blocks of these sizes in turn; without them in pieces of 5 s."""
        for block in blocks(sound, sizes or (round(WHOLE_SECONDS * self.rate_hz),)):
            self.processor.process(block)

    def lend(self, sound: FloatArray, size: int) -> None:
        """The same, each block in memory of its own; raises CheckFailed where a block is changed or kept."""
        for block in blocks(sound, (size,)):
            lent = np.array(block)
            before = lent.copy()
            lent.flags.writeable = False
            loan = weakref.ref(lent)
            self.processor.process(lent[:])
            if not np.array_equal(lent, before):
                raise CheckFailed("process() changes the block; it belongs to every meter.")
            del lent
            if loan() is not None:
                raise CheckFailed("process() keeps the block or a view of it; copy what is needed later.")

    def skip(self, seconds: float) -> None:
        """Tell it that so much sound is missing."""
        self.processor.skip(round(seconds * self.rate_hz))

    @property
    def never_written(self) -> list[str]:
        """Fields of the processor that no read wrote so far."""
        return [
            item.key for item in self.manifest.fields if item.minus is None and item.key not in self._ever_written
        ]

    def read(self) -> Readings:
        """Every reading by field key as an array of its own.

        Raises CheckFailed for a field that was written once and is not now: it would show its old value.
        """
        self._out.written.clear()
        self.processor.read(self._out)
        for key in sorted(self._ever_written - self._out.written):
            raise CheckFailed(f"read() wrote the field “{key}” once and not now; write NaN while it has no value.")
        self._ever_written |= self._out.written
        return {
            slot.key.partition(".")[2]: self.values[slot.offset : slot.offset + slot.size].copy()
            for slot in self.layout.slots
        }


def own_feed(manifest: Manifest) -> str:
    """The feed of the first instance; a meter of pairs gets one with a name."""
    return KIT_PAIR if manifest.feed == PAIR else manifest.feed


def columns_of(feeds: Mapping[str, tuple[int, ...]]) -> int:
    """How many channels a source with these feeds has."""
    return 1 + max(column for columns in feeds.values() for column in columns)


def blocks(sound: FloatArray, sizes: Sequence[int]) -> Iterator[FloatArray]:
    """Read-only pieces of a sound, their sizes taken in turn."""
    sound = sound.view()
    sound.flags.writeable = False
    start = turn = 0
    while start < len(sound):
        stop = start + sizes[turn % len(sizes)]
        yield sound[start:stop]
        start, turn = stop, turn + 1
