"""What the page can say while no part is named: the lows of the mix by band, and the way to the parts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from meter import figures as words
from meter.builtin.low_end.face_data import STALE_SECONDS, Floats, Part, note_words, percent
from meter.gui.kit.way import FEEDS, SOURCE
from meter.lowend.findings import OTHER, OWNER
from meter.plugin.face import LIVE_STATES
from meter.readings import Frame

WAYS = {
    FEEDS: ("name the parts", "Say which channel is the kick, the bass and so on. Then their shares stand here."),
    SOURCE: (
        "choose more channels",
        "Send kick, bass and others to further channels of one device. Then choose all its channels and name them.",
    ),
}
"""What the button says and the two sentences above it, by what it asks of the window."""
PARTS_WOULD_SHOW = "With parts named: share, lowest note, rumble below it, mono loss and ring of each."
PRICE_WOULD_SHOW = "With parts named: how much rumble a high-pass cuts below a lowest note, and what it costs."
RING_WOULD_SHOW = "With the kick named: how long it rings, and what of it still sounds at the next low note."
PAIR_WOULD_SHOW = "With kick and bass named: whether they begin together, and what both add up to."
RING_NEEDS, PAIR_NEEDS = "needs the kick named", "needs kick and bass named"
TOLD_FROM_DB = -70.0
"""A strongest low below this is not worth a word."""
CLEARLY_MORE_PERCENT = 3.0
"""Two bands that hold nearly the same do not take turns in the sentence."""
SURVIVES_DB = -0.5
"""A smaller loss in mono is not told (common practice, no source)."""


@dataclass(frozen=True)
class Band:
    """One band of the mix: its share of 20 to 120 Hz in percent, level, what it loses in mono, left over right."""

    name: str
    share: float
    level: float
    loss: float
    balance: float


def bands_of(frame: Frame) -> list[Band]:
    """The four bands, lowest first, over the last 3 s; none while nothing was heard or the mix has one channel."""
    keys = ("band_low_edge", "band_high_edge", "band_level", "band_loss", "band_balance")
    low, high, level, loss, balance = (frame.vector(f"mono_lows.{key}") for key in keys)
    shares = _shares(level)
    if not len(shares) or not len(low) == len(high) == len(loss) == len(balance) == len(level):
        return []
    return [
        Band(f"{low[n]:.0f}–{high[n]:.0f} Hz", shares[n], float(level[n]), float(loss[n]), float(balance[n]))
        for n in range(len(level))
    ]


def _shares(levels_dbfs: Floats) -> list[float]:
    """Levels as percentages of their sum; empty where they are no levels."""
    if not len(levels_dbfs) or not (levels_dbfs < math.inf).all() or not (levels_dbfs > -math.inf).any():
        return []
    powers = [10.0 ** ((float(level) - float(levels_dbfs.max())) / 10.0) for level in levels_dbfs]
    return [100.0 * power / sum(powers) for power in powers]


def as_parts(bands: list[Band], before: int = -1) -> list[Part]:
    """The bands as the bar of blocks takes them, the strongest one in front: see ``strongest``."""
    most = strongest(bands, before)
    return [
        Part(number, band.name, band.share, OWNER if number == most else OTHER) for number, band in enumerate(bands)
    ]


def strongest(bands: list[Band], before: int = -1) -> int:
    """Number of the band that holds most, -1 without any; the one ``before`` until another holds clearly more."""
    most = max(range(len(bands)), key=lambda number: bands[number].share, default=-1)
    stays = 0 <= before < len(bands) and bands[most].share - bands[before].share < CLEARLY_MORE_PERCENT
    return before if stays else most


def has_one_channel(frame: Frame) -> bool:
    """Whether the mix has but one channel: it cannot lose anything in mono, and its bands are not told apart."""
    mix = frame.feeds.get("mix")
    return (len(mix) if mix is not None else frame.status.channels) == 1


def is_stale(frame: Frame) -> bool:
    """Whether the music stopped since, or no sound comes."""
    return frame.number("mono_lows.age") >= STALE_SECONDS or frame.status.state not in LIVE_STATES


def with_age(sentence: str, frame: Frame) -> str:
    """The sentence, with its age while the music stands still."""
    aged = sentence and frame.number("mono_lows.age") >= STALE_SECONDS
    return f"{sentence.removesuffix('.')}, {words.age(frame.number('mono_lows.age'))}" if aged else sentence


def verdict(frame: Frame, parts: Sequence[Part], live: bool) -> str:
    """Which band holds most of the mix's lows."""
    if not parts:
        return "one channel: its lows are not told apart by band" if has_one_channel(frame) else words.waiting(live)
    most = next(part for part in parts if part.role == OWNER)
    return with_age(f"{most.name} holds {percent(most.share)} of the mix's lows", frame)


def mono_sentence(frame: Frame) -> str:
    """What the lows of the mix lose in mono."""
    loss = frame.number("mono_lows.loss_now")
    if math.isnan(loss):
        return ""
    if loss == -math.inf:
        return with_age("The lows vanish in mono.", frame)
    deed = "survive mono" if loss > SURVIVES_DB else f"lose {words.figure(-loss)} dB in mono"
    return with_age(f"The lows {deed}.", frame)


def spectrum_of(frame: Frame) -> tuple[Floats, Floats]:
    """Frequencies and levels of the mix's lows, 20 to 240 Hz."""
    return frame.vector("spectrum.fine_hz"), frame.vector("spectrum.fine")


def strongest_low(frame: Frame, live: bool) -> str:
    """Frequency and note of the strongest low of the mix, as a sentence."""
    frequencies, levels = spectrum_of(frame)
    if not len(levels) or len(levels) != len(frequencies) or (levels != levels).any():
        return words.waiting(live)
    at = int(levels.argmax())
    note = note_words(float(frequencies[at]))
    if not levels[at] >= TOLD_FROM_DB or not note:
        return "No lows now."
    return f"Strongest low {frequencies[at]:.0f} Hz, near {note}."
