"""Start a source into a ring buffer while the meters are being prepared. [dsp]"""

from __future__ import annotations

from collections.abc import Callable

from meter.audio.ring_buffer import Consumer, make_ring
from meter.audio.source import Source, SourceInfo

COMES_BACK = ("device", "monitor", "script")
"""Kinds with a clock of their own, worth waiting for when they are not there: a device may be plugged in again."""
RING_SECONDS = 4.0
BEHIND_SECONDS = RING_SECONDS / 2.0
"""So much sound waiting is about to be lost, or slows a source down."""
MOST_TICKS_AT_ONCE = 20
"""Caught-up sound is taken in bites of 0.2 s, so that commands and heartbeats are not kept waiting."""
BACKLOG_SECONDS = 1.0
"""What came in while the meters were prepared is measured up to this length; older sound is dropped."""
CLOCKED = ("device", "monitor")
"""Kinds that deliver whether anybody reads or not; the others would be cut at their beginning."""


def start_source(source: Source, info: SourceInfo, prepare: Callable[[], None]) -> Consumer:
    """Start a source that is open, and call ``prepare``; returns the reading end. Raises SourceError.

    Sound servers and drivers take their time to start, and so does the first preparation, which loads libraries: the
    two overlap.
    """
    producer, consumer = make_ring(int(RING_SECONDS * info.rate_hz), info.channels)
    if info.kind in CLOCKED:
        source.start(producer)
        prepare()
        consumer.drop_to(int(BACKLOG_SECONDS * info.rate_hz))
    else:
        prepare()
        source.start(producer)
    return consumer
