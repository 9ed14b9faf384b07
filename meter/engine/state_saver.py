"""Nothing already measured is lost: what one engine leaves to the one that replaces it.

Every few seconds the state of the meters since the reset is written to a region of the shared block, which belongs to
the window and outlives the engine. The region has two places that take turns: an engine that dies while it writes
leaves the last one whole. State from before a reset or of another source is not restored.
"""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Mapping
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from meter.audio.source import SourceInfo, SourceRequest
from meter.engine.chain import Chain
from meter.engine.saved_state import EngineState, pack, unpack

EVERY_SECONDS = 2.0
BUSY_SECONDS = 1.0
"""Saved between ticks; after so long without an idle tick, saved anyway."""
LEAST_GAP_SECONDS = 0.1
ALIVE = ("running", "idle", "invalid")
"""In these states frames are counted up to now; in others the time since the last sound is missing."""

HEAD_WORDS = 3
_NUMBER, _LENGTH, _CHECK = range(HEAD_WORDS)

UNREADABLE = "their saved state cannot be read, so since-reset readings restarted"


Counts = tuple[int, int, int]
"""Frames heard, frames lost, gaps."""


class StateRegion(Protocol):
    """Bytes that outlive the engine, and how many beginnings the window has counted."""

    @property
    def room(self) -> NDArray[np.uint8]: ...
    @property
    def beginning(self) -> int: ...


class StateSaver:
    """The engine's side: saves the state every few seconds, and restores that of an engine before it. [dsp]

    Without a region, as in a program of one process, it does nothing.
    ``sentence`` says, after ``restore_state``, what was restored; it is empty where there was nothing.
    """

    def __init__(self, region: StateRegion | None) -> None:
        self._region = region
        self._source = ""
        self._beginning = -1
        self._is_first = True
        self._due = -math.inf
        self.sentence = ""

    def begin(self) -> None:
        """Forget what was measured so far."""
        self._is_first = False
        if self._region is not None:
            self._beginning = self._region.beginning

    def follow(self, source: str) -> None:
        """What was measured goes on with this source: the next engine is to find it under that."""
        self._source = source
        self.hurry()

    def hurry(self) -> None:
        """Save at the next opportunity."""
        self._due = -math.inf

    def attend(
        self,
        chain: Chain,
        counts: Counts,
        now: float,
        state: str,
        *,
        busy: bool,
        heard_to: float | None = None,
    ) -> None:
        """Save the state of the meters if it is due; called in each turn of the engine's loop.

        ``heard_to`` is when the last frame that was measured came, by the same clock as ``now``, and ``now`` without.
        """
        if now < self._due or (busy and now < self._due + BUSY_SECONDS) or state not in ALIVE or self._region is None:
            return
        self._due = now + EVERY_SECONDS
        places = places_on(self._region)
        newest = int(np.argmax([head[_NUMBER] for head, _ in places]))
        number = int(places[newest][0][_NUMBER]) + 1
        head, place = places[1 - newest]
        taken_at = now if heard_to is None else heard_to
        kept = EngineState(self._beginning, self._source, taken_at, counts, chain.save_state())
        data = pack(kept, len(place) - len(self._source) - 1000)
        head[_NUMBER] = 0  # not whole
        place[: len(data)] = np.frombuffer(data, np.uint8)
        head[_LENGTH], head[_CHECK] = len(data), zlib.crc32(data)
        head[_NUMBER] = number

    def restore_state(self, chain: Chain, source: str, now: float) -> tuple[Counts, float] | None:
        """Restore the state of a new chain; returns the counts, and up to when they were heard.

        What is missing since then is for the caller to count. None, and the chain is as it was, where nothing was
        left for this source and beginning.
        """
        is_first, self._is_first = self._is_first, False
        if self._region is None:
            return None
        self._source, self._beginning = source, self._region.beginning
        self._due = now + EVERY_SECONDS
        try:
            left = newest_on(self._region) if is_first else None
        except ValueError:
            self.sentence, left = UNREADABLE, None
        if left is None or (left.source, left.beginning) != (source, self._beginning):
            clear(self._region)
            return None
        restarted = chain.restore_state(left.meters)
        missing_seconds = max(LEAST_GAP_SECONDS, now - left.taken_at)
        names = f"; those of {', '.join(f'“{name}”' for name in restarted)} restarted" if restarted else ""
        self.sentence = f"since-reset readings go on, {missing_seconds:.0f} s are missing{names}"
        return left.counts, now - missing_seconds


def newest_on(region: StateRegion) -> EngineState | None:
    """The newest that was left whole, or None; raises ValueError when it is not what it was."""
    head, place = max(places_on(region), key=lambda place: int(place[0][_NUMBER]))
    if head[_NUMBER] == 0:
        return None
    data = place[: max(0, int(head[_LENGTH]))].tobytes()
    if zlib.crc32(data) != head[_CHECK]:
        raise ValueError("it was changed")
    return unpack(data)


def clear(region: StateRegion) -> None:
    """Mark both places as empty."""
    for head, _ in places_on(region):
        head[_NUMBER] = 0


def places_on(region: StateRegion) -> list[tuple[NDArray[np.int64], NDArray[np.uint8]]]:
    """Head and bytes of the two places."""
    edge = HEAD_WORDS * 8
    return [(half[:edge].view(np.int64), half[edge:]) for half in region.room.reshape(2, -1)]


def source_words(request: SourceRequest, info: SourceInfo, feeds: Mapping[str, tuple[int, ...]]) -> str:
    """Everything that must be the same for readings to go on, as one text."""
    asked = [request.kind, request.name, request.options]
    return json.dumps([asked, info.identity, info.rate_hz, info.channels, dict(feeds)], sort_keys=True, default=str)
