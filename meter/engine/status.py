"""The feed line as numbers for a snapshot, and back."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from dsp.core.types import FloatArray
from meter.readings import STATES, FeedStatus

STATUS_WORDS = 10


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
