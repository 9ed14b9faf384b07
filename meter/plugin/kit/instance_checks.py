"""Checks of a second instance: two processors do not meet, and a face shows the readings of its own."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from dsp.core.types import FloatArray
from meter.feeds import PAIR
from meter.instances import Instance, next_id
from meter.plugin.host import Plugin
from meter.plugin.kit.compared import expect_same
from meter.plugin.kit.outcome import NotChecked
from meter.plugin.kit.played import RATE_HZ, Played, own_feed
from meter.plugin.kit.sounds import music
from meter.plugin.manifest import Manifest
from meter.readings import FeedStatus, Frame, Layout

SECONDS = 3.4
BLOCK_FRAMES = 480
OTHER_FEED, OTHER_PAIR = "part of the kit", "pair of the kit"


def check_instances(plugin: Plugin) -> str:
    """Two of it, fed in turn with different sound, read as each alone does."""
    manifest = plugin.manifest
    assert manifest is not None
    if manifest.why_single:
        raise NotChecked(f"It stands only once: {manifest.why_single}.")
    alone, first, second = Played(plugin), Played(plugin), Played(plugin)
    ours, others = (music(seed, SECONDS, RATE_HZ, first.channels) for seed in (5, 6))
    alone.feed(ours, (BLOCK_FRAMES,))
    for start in range(0, len(ours), BLOCK_FRAMES):
        first.feed(ours[start : start + BLOCK_FRAMES])
        second.feed(others[start : start + BLOCK_FRAMES])
    expected = alone.read()
    expect_same(expected, first.read(), "while a second instance of it has other sound; keep state in the object")
    return "A second instance on another feed leaves the first one alone."


def second_of(manifest: Manifest) -> Instance:
    """A second instance, on another feed than the first."""
    return Instance(next_id(manifest.id, ()), manifest.id, OTHER_PAIR if manifest.feed == PAIR else OTHER_FEED)


def seen_as_second(
    manifest: Manifest, meter: Played, quiet: FloatArray, values: FloatArray, findings: Mapping[str, Any], at: float
) -> Frame:
    """A frame in which the second instance has these readings and findings, and the first has the ``quiet`` ones."""
    first, second = Instance(manifest.id, manifest.id, own_feed(manifest)), second_of(manifest)
    columns = tuple(range(meter.channels))
    layout = Layout.build(
        {each.id: manifest.fields for each in (first, second)},
        {each.id: meter.channels for each in (first, second)},
        {first.feed: columns, second.feed: columns},
        instances=(first, second),
    )
    renamed = {key.replace(f"{first.id}.", f"{second.id}.", 1): found for key, found in findings.items()}
    status = FeedStatus("kit", RATE_HZ, meter.channels, "running", frames=round(at * RATE_HZ))
    return Frame(layout, np.concatenate([quiet, values]), status, renamed)
