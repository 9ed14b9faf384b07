"""Remarks about what was read, one sentence each."""

from __future__ import annotations

from collections.abc import Sequence

from meter.lowend.gather import KEPT_SECONDS, Gathered
from meter.lowend.sources import PartSource
from meter.lowend.words import listed

SAME_LENGTH_SECONDS = 0.05


def clock(seconds: float) -> str:
    """``3:04.5``."""
    minutes, rest = divmod(round(seconds, 1), 60.0)
    return f"{int(minutes)}:{rest:04.1f}"


def on_lengths(sources: Sequence[PartSource]) -> list[str]:
    """Say so when parts differ in length; all are read as far as the shortest goes."""
    shortest = min(sources, key=lambda source: source.frames)
    rate_hz = shortest.rate_hz
    longer = [s.name for s in sources if (s.frames - shortest.frames) / rate_hz > SAME_LENGTH_SECONDS]
    if not longer:
        return []
    verb = "is" if len(longer) == 1 else "are"
    return [
        f"{listed(longer)} {verb} longer than {shortest.name}; all were read up to "
        f"{clock(shortest.frames / rate_hz)}, the end of the shortest."
    ]


def on_reading(found: Gathered, sources: Sequence[PartSource], parts: Sequence[PartSource]) -> list[str]:
    """What happened while reading: broken files, values that are no numbers, mono parts, a very long song."""
    said = list(found.notes)
    said += [
        f"{count:,} samples of {name} were not numbers or beyond +60 dBFS; the moments around them are left out."
        for name, count in found.invalid.items()
    ]
    mono = [source.name for source in sources if source.channels == 1]
    if mono:
        verb = "is mono and counts" if len(mono) == 1 else "are mono and count"
        said.append(f"{listed(mono)} {verb} as equal in left and right.")
    if found.frames / parts[0].rate_hz > KEPT_SECONDS:
        said.append(f"Hits, rumble and pairs are those of the last {KEPT_SECONDS / 60:.0f} minutes.")
    return said
