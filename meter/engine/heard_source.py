"""The source that is open: its ring buffer, how far it was heard, and what shifts or shortens its readings. [dsp]"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray
from meter.audio.ring_buffer import Consumer
from meter.audio.source import Source, SourceError, SourceInfo, SourceRequest
from meter.engine.sanitise import Sanitiser
from meter.engine.start_source import COMES_BACK, start_source
from meter.engine.state_words import ON_THE_LINE
from meter.engine.watchdog import ZerosWatch, last_sound


class HeardSource:
    """``request`` is what was chosen, ``source`` is None while nothing is open.

    ``info`` is of the source that was opened last, and stays while it is waited for.
    """

    def __init__(self, make_source: Callable[[SourceRequest], Source]) -> None:
        self._make_source = make_source
        self.choose(None)

    def choose(self, request: SourceRequest | None) -> None:
        """Another source, not open yet."""
        self.request = request
        self.info: SourceInfo | None = None
        self.source: Source | None = None
        self.ring: Consumer | None = None
        self._zeros: ZerosWatch | None = None
        self._sanitiser: Sanitiser | None = None

    def forget(self) -> None:
        """Count invalid samples from zero."""
        self._sanitiser = Sanitiser(self.info.rate_hz) if self.info is not None else None

    def open(self, prepare: Callable[[SourceInfo], None]) -> SourceInfo:
        """Open and start; ``prepare`` is called with what it delivers. Raises SourceError and ValueError."""
        assert self.request is not None
        source: Source | None = None
        try:
            source = self._make_source(self.request)
            info = source.open()
            ring = start_source(source, info, lambda: prepare(info))
        except (SourceError, ValueError):
            if source is not None:
                source.stop()
            raise
        self.source, self.info, self.ring = source, info, ring
        self._zeros = ZerosWatch(info.kind, info.rate_hz)
        return info

    def stop(self) -> None:
        """Release it; what waits in its ring buffer is dropped."""
        if self.source is not None:
            self.source.stop()
        self.source = self.ring = None

    @property
    def name(self) -> str:
        """What the feed line calls it."""
        if self.info is not None:
            return self.info.name
        return self.request.name if self.request is not None else ""

    @property
    def format(self) -> tuple[int, int] | None:
        """Sample rate in Hz and channels as they were opened last; None before that."""
        return (self.info.rate_hz, self.info.channels) if self.info is not None else None

    @property
    def latency_seconds(self) -> float:
        """Latency as it was opened; NaN without one."""
        return self.info.latency_seconds if self.info is not None else math.nan

    @property
    def comes_back(self) -> bool:
        """Whether it is worth waiting for."""
        return self.request is not None and self.request.kind in COMES_BACK

    @property
    def waiting_frames(self) -> int:
        """Frames in the ring buffer that are not measured yet."""
        return self.ring.available if self.ring is not None else 0

    @property
    def waiting_seconds(self) -> float:
        """The same in seconds."""
        return self.waiting_frames / self.info.rate_hz if self.info is not None else 0.0

    @property
    def is_over(self) -> bool:
        """True after the end of a source that ends by itself, such as a file."""
        source, info = self.source, self.info
        return source is not None and info is not None and not info.live and source.ended() and not source.fault()

    @property
    def fault(self) -> str:
        """What the source says about its end, or an empty string."""
        return self.source.fault() if self.source is not None else ""

    def heard_to(self, now: float, state: str) -> float:
        """When the newest frame that was measured came, in monotonic seconds; ``now`` where that is not known."""
        newest = last_sound(self.source)
        if newest is None or not self.comes_back or state == "idle":
            return now
        return newest - self.waiting_seconds

    @property
    def invalid_samples(self) -> int:
        """Samples that were no numbers, or beyond +60 dBFS."""
        return self._sanitiser.invalid_samples if self._sanitiser is not None else 0

    @property
    def arriving(self) -> str:
        """The state while sound comes: running, or invalid where none of it can be measured."""
        return "invalid" if self._sanitiser is not None and self._sanitiser.only_invalid else "running"

    def pieces(self, part: NDArray[np.floating[Any]]) -> Iterator[FloatArray | int]:
        """Clean pieces of ``(frames, channels)`` and the gaps between them; see ``Sanitiser``."""
        assert self._sanitiser is not None
        return self._sanitiser.pieces(part)

    def look_at(self, block: NDArray[np.floating[Any]]) -> None:
        """Look for the first sample that is not zero in ``(frames, channels)``."""
        if self._zeros is not None:
            self._zeros.take(block)

    def remark(self, state: str) -> str:
        """What shifts or shortens the readings, or what the state means; an empty string for nothing."""
        if state in ON_THE_LINE:
            return ON_THE_LINE[state]
        note: str = getattr(self.source, "note", "") if state == "running" else ""
        return (self._zeros.sentence if self._zeros is not None else "") or note
