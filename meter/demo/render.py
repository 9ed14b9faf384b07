"""Feeds of the score: each part, then the room, then their sum."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from meter.demo.ensemble import PLAYERS, Step
from meter.demo.partials import gain
from meter.demo.parts import MIX, PARTS, TOTAL_FRAMES, Part
from meter.demo.room import Feed, impulse_responses, reverberate

Progress = Callable[[float], None]
"""Called with the share of the work that is done, 0 to 1."""

SEED = 20_640
ROOM_SEED = 8
"""Of the first dozen rooms the one with the least imbalance of left and right for this music."""
SEND_DB = {"drum": -20.5, "bass": -24.5, "plucked": -13.5, "organ": -15.5, "voice": -11.0}
"""Send level of each part to the room."""
COST = {"drum": 0.06, "bass": 0.06, "plucked": 0.25, "organ": 0.38, "voice": 0.12, "room": 0.13}
"""Share of the whole work, for the progress only."""


def render(progress: Progress | None = None) -> Iterator[tuple[Part, Feed]]:
    """Yield the feeds in the order of ``PARTS``, then the mix, each ``(frames, channels)`` float32.

    The mix is the sum of the others, left and right; a part of one channel has full gain on both sides. The samples
    are the same at every call with the same numpy and scipy. A feed is released when the next is taken.
    """
    tell = progress or (lambda _share: None)
    mix = np.zeros((TOTAL_FRAMES, 2), dtype=np.float32)
    send = np.zeros(TOTAL_FRAMES, dtype=np.float32)
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
        done += COST[part.key]
        yield part, feed
        del feed
    tell(1.0)
    yield MIX, mix


def _share_of(tell: Progress, begin: float, width: float) -> Step:
    return lambda share: tell(begin + width * share)


def _room(send: Feed, random: np.random.Generator, step: Step) -> Feed:
    feed = np.empty((TOTAL_FRAMES, 2), dtype=np.float32)
    for side, response in enumerate(impulse_responses(random)):
        feed[:, side] = reverberate(send, response)
        step((side + 1) / 2)
    return feed
