"""What the level meter says of the usual range, without Qt."""

from __future__ import annotations

import math

from meter import figures

SLOW = "peaks {} dB above VU: transients are faster than the needle"
SLOW_SHORT = "peaks {} dB above VU"


def usual_words(low: float, usual: float, unit: str, home: str, *, roomy: bool) -> tuple[str, str]:
    """The usual range in words, and the role of the text; ``home`` is hot, there or shy, or empty without a home."""
    if usual == -math.inf:
        return "silence", "soft"
    quiet, loud = figures.figure(low, 0, plus=True), figures.figure(usual, 0, plus=True)
    if home:
        return f"{home}: hits {loud} {unit}", "ink"
    if low == -math.inf:
        return f"hits {loud} {unit}, with rests", "ink"
    if quiet == loud:
        return f"sits at {loud} {unit}", "ink"
    return (f"sits at {quiet}, hits {loud} {unit}" if roomy else f"{quiet} to {loud} {unit}"), "ink"
