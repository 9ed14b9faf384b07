"""A mix against references in sentences: what lies outside the lane, at most three things; never a verdict on it."""

from __future__ import annotations

import math

from meter import figures
from meter.lane.findings import LISTENING, NO_REFERENCES, NOTHING, READING, LaneFindings, LaneOutside

MOST_TOLD, FEW = 3, 2
ONLY_ONE = "one reference: differences from it, no lane"
ONLY_TWO = "two references: the lane is 80 % of the gap between them"


def sentence(found: LaneFindings) -> str:
    """What the mix does that the references do not, or why nothing is said."""
    if found.state == NO_REFERENCES:
        return "No reference is chosen."
    if found.state == READING:
        reading = next((each for each in found.references if each.read < 1.0 and not each.fault), None)
        return f"Reading '{reading.name}', {100.0 * reading.read:.0f} %." if reading else "Reading the references."
    if found.state == NOTHING:
        faults = [each.fault for each in found.references if each.fault]
        return faults[0] if faults else "No reference can be used."
    if found.state == LISTENING:
        return f"Listening: {found.seconds:.0f} s of sound, 5 s are needed."
    told = [outside_words(each) for each in found.outside[:MOST_TOLD]]
    return f"{against(found)}: {'; '.join(told)}." if told else f"{against(found)}: nothing stands out."


def against(found: LaneFindings) -> str:
    """What it is compared with: ``Outside the lane of 4 references``."""
    if found.used == 1:
        used = next(each for each in found.references if each.used)
        return f"Against '{used.name}'"
    if not found.outside:
        return f"Against {found.used} references"
    return "Outside both references" if found.used == FEW else f"Outside the lane of {found.used} references"


def lane_words(found: LaneFindings) -> str:
    """What the lane is worth: that of one or two references is none."""
    if found.used == 1:
        return ONLY_ONE
    return ONLY_TWO if found.used == 2 else f"lane: 10 to 90 % of {found.used} references"


def outside_words(each: LaneOutside) -> str:
    """``180–355 Hz −3.1 dB``, ``5.6–11.2 kHz wider +3.2 dB``, ``peak to loudness +2.4 LU``."""
    if each.what in ("peak to loudness", "loudness range"):
        return f"{each.what} {figures.with_unit(each.difference, 'LU', plus=True)}"
    change = figures.with_unit(each.difference, "dB", plus=True)
    if each.what == "lows":
        return f"20–120 Hz re the middle {change}"
    range_words = band_words(each.low_hz, each.high_hz)
    if each.what == "width":
        return f"{range_words} {'wider' if each.difference > 0.0 else 'narrower'} {change}"
    return f"{range_words} {change}"


def band_words(low_hz: float, high_hz: float) -> str:
    """``180–355 Hz``, ``710 Hz–1.4 kHz``, ``2–2.8 kHz``."""
    if high_hz < 1000.0:
        return f"{low_hz:.0f}–{high_hz:.0f} Hz"
    low = f"{low_hz / 1000.0:.3g}" if low_hz >= 1000.0 else f"{low_hz:.0f} Hz"
    return f"{low}–{high_hz / 1000.0:.3g} kHz"


def match_words(found: LaneFindings) -> list[str]:
    """For each reference that is used the gain that makes it as loud as the mix."""
    return [
        f"{each.name}, {each.stretch}: {figures.with_unit(each.match_db, 'dB', plus=True)} to match"
        for each in found.references
        if each.used and math.isfinite(each.match_db)
    ]
