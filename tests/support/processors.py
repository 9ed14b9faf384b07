"""A built-in meter's processor, set through its own manifest, fed in any pieces and read by key."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

import meter.builtin
from dsp.core.types import FloatArray, Spec
from meter.plugin.api import Readout
from meter.plugin.host import Plugin, load_processor
from meter.plugin.manifest import read_manifest
from meter.readings import Layout

BUILTIN = Path(meter.builtin.__file__).parent
BLOCK_SIZES = (1, 64, 65, 480, 8192, 8193)
"""The block sizes at which every processor must agree with itself."""


class Processor:
    """One meter alone: ``feed`` in blocks of the given sizes, ``read`` gives floats and arrays by field key."""

    def __init__(
        self,
        meter_id: str,
        rate_hz: int = 48_000,
        channels: int = 2,
        feeds: Mapping[str, tuple[int, ...]] | None = None,
        **settings: Any,
    ) -> None:
        folder = BUILTIN / meter_id
        self.manifest = read_manifest(folder / "manifest.toml")
        plugin = Plugin("here", folder, f"meter.builtin.{meter_id}", self.manifest)
        self.rate_hz = rate_hz
        self.meter: Any = load_processor(plugin)
        """Optional methods of the contract, such as ``mark``, are not in its type."""
        self._settings = settings
        self.configure()
        self.meter.prepare(Spec(rate_hz, channels, feeds=feeds or {}))
        self._layout = Layout.build({meter_id: self.manifest.fields}, {meter_id: channels}, feeds)
        self._values = np.full(self._layout.total, np.nan)
        self._out = Readout(meter_id, self._layout.slots, self._values)

    def configure(self, **settings: Any) -> None:
        self._settings |= settings
        self.meter.configure(self.manifest.settings(self._settings))

    def feed(self, signal: FloatArray, sizes: Sequence[int] = (480,)) -> None:
        for block in blocks(signal, sizes):
            block.flags.writeable = False
            self.meter.process(block)

    def skip(self, seconds: float) -> None:
        self.meter.skip(round(seconds * self.rate_hz))

    def read(self, before: float = np.nan) -> dict[str, Any]:
        """Readings by key; one that the processor does not write stays ``before``."""
        self._values.fill(before)
        self.meter.read(self._out)
        return {
            slot.key.partition(".")[2]: float(self._values[slot.offset])
            if slot.scalar
            else self._values[slot.offset : slot.offset + slot.size].copy()
            for slot in self._layout.slots
        }


def blocks(signal: FloatArray, sizes: Sequence[int]) -> Iterator[FloatArray]:
    """Pieces of a signal, their sizes taken in turn."""
    start = turn = 0
    while start < len(signal):
        stop = start + sizes[turn % len(sizes)]
        yield signal[start:stop].view()
        start, turn = stop, turn + 1


def random_sizes(seed: int, most: int = 3000) -> list[int]:
    """Seeded block sizes, half of them small."""
    rng = np.random.default_rng(seed)
    return [int(size) for size in np.concatenate([rng.integers(1, 50, 20), rng.integers(50, most, 20)])]


def assert_same(first: dict[str, Any], second: dict[str, Any], within: float = 1e-6) -> None:
    """Every reading equal, NaN and infinities included."""
    assert first.keys() == second.keys()
    for key, value in first.items():
        np.testing.assert_allclose(second[key], value, rtol=0.0, atol=within, equal_nan=True, err_msg=key)
