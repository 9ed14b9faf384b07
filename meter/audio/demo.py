"""The built-in scenario as an endless source, in real time or as fast as the ring buffer takes it."""

from __future__ import annotations

import numpy as np

from meter.audio.pace import Block, Pacer
from meter.audio.ring_buffer import Producer
from meter.audio.source import SourceError, SourceInfo, SourceRequest
from meter.demo import Music, prepare
from meter.demo.parts import BEFORE, MIX, PARTS, RATE_HZ, STAGES, channel_names

FEEDS: dict[str, tuple[str, ...]] = {
    "mix": (MIX.key,),
    "all": (MIX.key, *(part.key for part in PARTS), *(side + stage.key for stage in STAGES for side in (BEFORE, ""))),
}
LIVE_BLOCKS_PER_SECOND = 100
CHUNK_FRAMES = RATE_HZ // 2
"""Frames of one read from disk: half a second."""


class DemoSource:
    """The scenario as a source that never ends.

    Options: ``feeds`` is ``"mix"`` (two channels, the default) or ``"all"`` (the mix, every part and both sides of
    every stage, see ``meter.demo.parts``); ``fast`` (bool) ignores the clock.
    """

    def __init__(self, request: SourceRequest) -> None:
        self._feeds = str(request.options.get("feeds", "mix"))
        self._fast = bool(request.options.get("fast", False))
        self._music: Music | None = None
        self._pacer: Pacer | None = None
        self._block_frames = 1
        self._rewind()

    def open(self) -> SourceInfo:
        """Make the music if this is its first use, which takes some seconds. Raises SourceError."""
        self.stop()
        keys = FEEDS.get(self._feeds)
        if keys is None:
            raise SourceError(f"The demo has no feeds called '{self._feeds}'; choose {' or '.join(FEEDS)}.")
        try:
            self._music = prepare(keys=keys)
        except MemoryError as error:
            raise SourceError("There is too little memory to make the demo's music; close other programs.") from error
        self._pacer = None
        self._rewind()
        names = channel_names()[: self._music.channels]
        return SourceInfo("demo", "demo", RATE_HZ, self._music.channels, channel_names=names, note=self._music.note)

    def start(self, producer: Producer) -> None:
        """Start the thread that plays; ``open`` comes first."""
        if self._music is None:
            self.open()
        frames = CHUNK_FRAMES if self._fast else RATE_HZ // LIVE_BLOCKS_PER_SECOND
        self._block_frames = min(frames, max(1, producer.capacity // 2))
        self._pacer = Pacer(self._next_block, RATE_HZ, fast=self._fast)
        self._pacer.start(producer)

    def stop(self) -> None:
        """End the thread; may be called twice."""
        if self._pacer is not None:
            self._pacer.stop()
        self._music = None

    def ended(self) -> bool:
        """True after a failure; the scenario itself never ends."""
        return self._pacer is not None and self._pacer.error is not None

    def fault(self) -> str:
        """One sentence if the stored music could not be read, otherwise empty."""
        if self._pacer is not None and self._pacer.error is not None:
            return f"The demo's stored music cannot be read any more ({self._pacer.error}); it is made again."
        return ""

    def statistics(self) -> dict[str, float]:
        """Counters of the thread, and ``rounds``: how often the scenario ended."""
        counters = self._pacer.statistics() if self._pacer is not None else {}
        return {**counters, "rounds": self._rounds}

    def _rewind(self) -> None:
        self._position = 0
        self._rounds = 0
        self._chunk: Block = np.empty((0, 0), dtype=np.float32)
        self._taken = 0

    def _next_block(self) -> Block | None:
        music = self._music
        if music is None:
            return None
        if self._taken == len(self._chunk):
            self._chunk = music.read(self._position, CHUNK_FRAMES)
            self._taken = 0
            turns, self._position = divmod(self._position + CHUNK_FRAMES, music.frames)
            self._rounds += turns
        block = self._chunk[self._taken : self._taken + self._block_frames]
        self._taken += len(block)
        return block
