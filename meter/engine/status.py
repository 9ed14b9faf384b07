"""The feed line on the engine's side: its one sentence, and its status as numbers for a snapshot and back."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np

from dsp.core.types import FloatArray
from meter.audio.source import Source, SourceInfo, SourceRequest
from meter.readings import STATES, FeedStatus

STATUS_WORDS = 10
READ_SECONDS = 10.0
"""How long the report of an event is shown: time to look up and read two lines (our own choice)."""


class Sentence:
    """One sentence; ``tell`` is called with it whenever it changes. Times are seconds handed in. [dsp]"""

    def __init__(self, tell: Callable[[str], None]) -> None:
        self._tell = tell
        self._told = ""
        self._lasting = ""
        self._note = ""
        self._event = ""
        self._event_ends = math.inf

    @property
    def words(self) -> str:
        """What is shown now: the report of an event, otherwise the lasting sentence."""
        return self._event or self._lasting

    def say(self, words: str) -> None:
        """Show ``words`` until something else is said; empty for nothing."""
        self._lasting, self._event = words, ""
        self._update()

    def report(self, words: str, now: float) -> None:
        """Show ``words`` for ``READ_SECONDS``, then again what they cover."""
        self._event, self._event_ends = words, now + READ_SECONDS
        self._update()

    def follow(self, note: str, now: float) -> None:
        """Show ``note`` where nothing else lasts, and drop an event that was shown long enough."""
        if note != self._note and self._lasting in ("", self._note):
            self._lasting = note
        self._note = note
        if now >= self._event_ends:
            self._event, self._event_ends = "", math.inf
        self._update()

    def _update(self) -> None:
        if self.words != self._told:
            self._told = self.words
            self._tell(self._told)


def feed_status(
    request: SourceRequest | None,
    info: SourceInfo | None,
    source: Source | None,
    *,
    state: str,
    sentence: str,
    counts: tuple[int, int, int],
    invalid_samples: int,
    quarantined: Mapping[str, str],
) -> FeedStatus:
    """The feed line of a source as asked for and as opened; ``counts`` are frames, lost frames and gaps."""
    asked = request.name if request is not None else ""
    return FeedStatus(
        source=info.name if info else asked,
        rate_hz=info.rate_hz if info else 0,
        channels=info.channels if info else 0,
        state=state,
        sentence=sentence,
        frames=counts[0],
        lost_frames=counts[1],
        gaps=counts[2],
        invalid_samples=invalid_samples,
        overruns=int(source.statistics().get("overflows", 0)) if source else 0,
        latency_seconds=info.latency_seconds if info else math.nan,
        quarantined=quarantined,
        resampled=bool(info and info.resampled),
        output=info.identity if info else "",
    )


def pack_status(status: FeedStatus) -> FloatArray:
    """The numbers of a feed status as an array, for a snapshot."""
    return np.array(
        [
            status.rate_hz, status.channels, STATES.index(status.state), status.frames, status.lost_frames,
            status.gaps, status.invalid_samples, status.overruns, status.latency_seconds,
            status.resampled,
        ],
        dtype=np.float64,
    )  # fmt: skip


def unpack_status(words: FloatArray, source: str, sentence: str, quarantined: Mapping[str, str]) -> FeedStatus:
    """The feed status that ``pack_status`` came from, with its words put back."""
    rate, channels, state, frames, lost, gaps, invalid, overruns = (int(word) for word in words[:8])
    return FeedStatus(
        source, rate, channels, STATES[state], sentence, frames, lost, gaps, invalid, overruns, float(words[8]),
        quarantined, bool(words[9]),
    )  # fmt: skip
