"""Feeds of the score: each part, then the room, then their sum."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from meter.demo.ensemble import PLAYERS, Step
from meter.demo.partials import gain
from meter.demo.parts import MIX, PARTS, STAGES, TOTAL_FRAMES, Part, Stage
from meter.demo.room import Feed, impulse_responses, reverberate
from meter.demo.stages import bus_compressor, colour_stage

Progress = Callable[[float], None]
"""Called with the share of the work that is done, 0 to 1."""

SEED = 20_640
ROOM_SEED = 8
"""Of the first dozen rooms the one with the least imbalance of left and right for this music."""
SEND_DB = {"drum": -20.5, "bass": -24.5, "plucked": -13.5, "organ": -15.5, "voice": -11.0}
"""Send level of each part to the room."""
COST = {
    "drum": 0.06, "bass": 0.06, "plucked": 0.22, "organ": 0.34, "voice": 0.11, "room": 0.11, "bus": 0.04,
    "colour": 0.06,
}  # fmt: skip
"""Share of the whole work, for the progress only."""


def render(progress: Progress | None = None) -> Iterator[tuple[Part | Stage, Feed]]:
    """Yield the feeds in the order of ``PARTS``, then the mix, then what comes out of each stage.

    Each is ``(frames, channels)`` float32.

    The mix is the sum of the others, left and right; a part of one channel has full gain on both sides. The samples
    are the same at every call with the same numpy and scipy. A feed is released when the next is taken.
    """
    tell = progress or (lambda _share: None)
    mix = np.zeros((TOTAL_FRAMES, 2), dtype=np.float32)
    send = np.zeros(TOTAL_FRAMES, dtype=np.float32)
    bus, colour = STAGES
    in_bus = np.zeros((TOTAL_FRAMES, 1), dtype=np.float32)
    done = 0.0
    tell(done)
    for number, part in enumerate(PARTS):
        step = _share_of(tell, done, COST[part.key])
        if part.key == "room":
            feed = _room(send, np.random.default_rng((SEED, number, ROOM_SEED)), step)
        else:
            feed = PLAYERS[part.key](np.random.default_rng((SEED, number)), step)
            send += feed.mean(axis=1) * np.float32(gain(SEND_DB[part.key]))
        mix += feed
        if part.key in bus.before:
            in_bus += feed
        done += COST[part.key]
        yield part, feed
        del feed
    yield MIX, mix
    yield bus, bus_compressor(in_bus)
    del in_bus
    tell(done + COST[bus.key])
    yield colour, colour_stage(mix)
    tell(1.0)


def _share_of(tell: Progress, begin: float, width: float) -> Step:
    return lambda share: tell(begin + width * share)


def _room(send: Feed, random: np.random.Generator, step: Step) -> Feed:
    feed = np.empty((TOTAL_FRAMES, 2), dtype=np.float32)
    for side, response in enumerate(impulse_responses(random)):
        feed[:, side] = reverberate(send, response)
        step((side + 1) / 2)
    return feed
