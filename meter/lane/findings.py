"""Findings of a mix against references as plain values: what ``lane --json`` prints.

Differences are mix less median of the references; a single reference makes no lane. NaN means "cannot be compared";
``notes`` and each reference's ``fault`` say why.
"""

from __future__ import annotations

import math
from typing import Any

import msgspec

from meter.stage.findings import plain_json

NO_REFERENCES, READING, LISTENING, NOTHING, FOUND = "no references", "reading", "listening", "nothing", "found"
"""None chosen; files are being analysed; too little sound of the mix; no reference can be used; compared."""
NAN = math.nan


class LaneFigure(msgspec.Struct, frozen=True):
    """A figure of the mix, its difference from the median, and the lane: 10th and 90th percentile re the median."""

    mix: float = NAN
    difference: float = NAN
    lane_low: float = NAN
    lane_high: float = NAN


class LaneBand(msgspec.Struct, frozen=True):
    """Tone (power, level matched) and width (side over mid) of one half octave, in dB re the median."""

    low_hz: float
    high_hz: float
    difference_db: float = NAN
    lane_low_db: float = NAN
    lane_high_db: float = NAN
    width_difference_db: float = NAN
    width_lane_low_db: float = NAN
    width_lane_high_db: float = NAN


class LaneReference(msgspec.Struct, frozen=True):
    """One reference: the stretch compared, and what it reads there. ``match_db`` makes it as loud as the mix.

    ``read`` is the share that is analysed, 0 to 1. ``fault`` is one sentence when it is not used.
    """

    name: str
    stretch: str = ""
    seconds: float = NAN
    loudness_lufs: float = NAN
    match_db: float = NAN
    peak_to_loudness_lu: float = NAN
    lows_db: float = NAN
    read: float = 1.0
    fault: str = ""

    @property
    def used(self) -> bool:
        """Whether it is compared with."""
        return not self.fault and math.isfinite(self.loudness_lufs)


class LaneOutside(msgspec.Struct, frozen=True):
    """Something outside the lane, in dB or LU.

    ``what`` is "tone", "width", "peak to loudness", "loudness range" or "lows".
    """

    what: str
    difference: float
    low_hz: float = NAN
    high_hz: float = NAN


class LaneFindings(msgspec.Struct, frozen=True):
    """See the module's description. ``outside`` holds everything outside, the farthest first; three are spoken.

    ``loudness_range_lu`` is that of the whole mix and the whole files, of a minute or more.
    """

    state: str = LISTENING
    seconds: float = 0.0
    stretch: str = ""
    loudness_lufs: float = NAN
    bands: tuple[LaneBand, ...] = ()
    peak_to_loudness_lu: LaneFigure = LaneFigure()
    lows_db: LaneFigure = LaneFigure()
    loudness_range_lu: LaneFigure = LaneFigure()
    outside: tuple[LaneOutside, ...] = ()
    references: tuple[LaneReference, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def used(self) -> int:
        """Number of references that are compared with."""
        return sum(reference.used for reference in self.references)

    def to_json(self) -> dict[str, Any]:
        """Numbers; null where there is nothing to compare."""
        found: dict[str, Any] = plain_json(msgspec.to_builtins(self))
        return found
