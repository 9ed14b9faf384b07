"""The feed line in words: what is being heard and what went missing. No Qt."""

from __future__ import annotations

from meter.figures import duration
from meter.readings import FeedStatus

STATE_WORDS = {
    "starting": "starting",
    "running": "listening",
    "held": "held, measuring goes on",
    "idle": "nothing is playing",
    "late": "no sound is arriving",
    "lost": "the source stopped",
    "reopening": "opening the source again",
    "waiting": "waiting for the source",
    "ended": "the end was reached",
    "failed": "not measuring",
    "invalid": "only invalid samples arrive",
}
BROKEN_STATES = frozenset({"lost", "reopening", "waiting", "failed", "invalid"})
"""The states in which nothing is measured though it should be."""


def state_words(status: FeedStatus) -> str:
    """The engine's state; a state this window does not know is shown as it came."""
    return STATE_WORDS.get(status.state, status.state)


def is_broken(status: FeedStatus) -> bool:
    """True when something is broken, not merely quiet, held or over."""
    return status.state in BROKEN_STATES


def rate_words(rate_hz: int) -> str:
    """``48 kHz``, ``44.1 kHz``; empty for no rate."""
    return f"{rate_hz / 1000:g} kHz" if rate_hz > 0 else ""


def channel_words(channels: int) -> str:
    """``1 channel``, ``2 channels``; empty for none."""
    if channels <= 0:
        return ""
    return "1 channel" if channels == 1 else f"{channels} channels"


def loss_words(status: FeedStatus) -> str:
    """What went missing since R: ``no dropouts``, or their number and time: ``1 dropout, 23 s``."""
    if not status.lost_frames and not status.gaps:
        return "no dropouts"
    count = max(1, status.gaps)
    dropouts = f"{count:,} dropout{'' if count == 1 else 's'}"
    return f"{dropouts}, {duration(status.lost_frames / status.rate_hz)}" if status.rate_hz else dropouts


def detail_words(status: FeedStatus) -> list[str]:
    """All that the line tells of the feed, each a short phrase, the state first."""
    words = [state_words(status)]
    rate = rate_words(status.rate_hz)
    words += [f"{rate}, resampled"] if rate and status.resampled else [rate] if rate else []
    words += [channel_words(status.channels)] if status.channels > 0 else []
    if status.rate_hz:
        words.append(loss_words(status))
    if status.invalid_samples:
        plural = "" if status.invalid_samples == 1 else "s"
        words.append(f"{status.invalid_samples:,} invalid sample{plural} left out, as gaps")
    if status.overruns:
        words.append(f"measuring fell behind {status.overruns:,} times")
    if status.elapsed_seconds >= 1.0:
        words.append(elapsed_words(status))
    if status.incomplete:
        words.append("incomplete since R")
    return words


def elapsed_words(status: FeedStatus) -> str:
    """The time since R, and how much of it was heard: ``for 14 min``, or ``99.8 % of 14 min measured``."""
    elapsed = duration(status.elapsed_seconds)
    if not status.lost_frames:
        return f"for {elapsed}"
    tenths = min(999, int(status.measured_share * 1000.0))  # never 100 % while something is missing
    return f"{tenths / 10:.1f} % of {elapsed} measured"


def missing_words(status: FeedStatus) -> str:
    """Only what went wrong with the figures, for beside a sentence; empty when nothing did."""
    return loss_words(status) if status.lost_frames or status.gaps else ""
