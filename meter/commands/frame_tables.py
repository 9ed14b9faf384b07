"""Tables and JSON of one frame, for the demo without a window."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from rich.table import Table
from rich.text import Text

from meter.commands.terminal import visible
from meter.plugin.host import Plugin
from meter.readings import Frame, Slot

NO_FIGURE = "–"
TIMES = ("s", "h")
"""Units of readings that are durations of a measurement."""
FREQUENCIES = "_hz"
"""Ending of the key that holds the frequency of each value of a spectrum."""


def as_json(frame: Frame) -> dict[str, object]:
    """The feed line's facts, then every summary reading."""
    status = frame.status
    facts = {
        "source": status.source,
        "rate_hz": status.rate_hz,
        "channels": status.channels,
        "seconds": round(status.elapsed_seconds, 3),
        "lost_frames": status.lost_frames,
        "gaps": status.gaps,
        "invalid_samples": status.invalid_samples,
        "resampled": status.resampled,
        "state": status.state,
    }
    return facts | frame.summary()


def faces_table(frame: Frame, plugins: Sequence[Plugin]) -> Table:
    """One line for each meter of a page: its name, its main figure, and a sentence about that."""
    table = _table(frame)
    for column in range(2):
        table.add_column(no_wrap=True, justify="left" if column == 0 else "right")
    table.add_column(overflow="fold")
    for plugin in plugins:
        if plugin.manifest is not None and plugin.manifest.on_pages:
            figure, sentence = headline(frame, plugin.id)
            table.add_row(Text(visible(plugin.manifest.name)), Text(figure), Text(visible(sentence)))
    return table


def readings_table(frame: Frame) -> Table:
    """Every scalar reading that has a label, meter by meter."""
    table = _table(frame)
    for slot in frame.layout.slots:
        if slot.scalar and slot.label and slot.unit != "count":
            table.add_row(slot.key, words_of(slot, frame.number(slot.key)), slot.label)
    return table


def headline(frame: Frame, meter_id: str) -> tuple[str, str]:
    """A meter's main figure with its unit, and a sentence; ``–`` and the reason where there is none."""
    if fault := frame.status.quarantined.get(meter_id):
        return NO_FIGURE, fault
    slots = [slot for slot in frame.layout.slots if slot.key.startswith(f"{meter_id}.")]
    candidates = [
        slot for slot in slots if slot.scalar and slot.unit not in ("count", *TIMES) and (slot.label or slot.summary)
    ]
    candidates.sort(key=lambda slot: not slot.summary)  # readings of the whole first
    for slot in candidates:
        if math.isfinite(value := frame.number(slot.key)):
            return words_of(slot, value), _sentence(slot.label or slot.key)
    for slot in slots:
        if (found := _highest(frame, slot)) is not None:
            return found
    return NO_FIGURE, _sentence(
        candidates[0].why_not(frame.number(candidates[0].key)) if candidates else "no figure of its own"
    )


def words_of(slot: Slot, value: float) -> str:
    """A figure with its unit, or ``–`` with the reason."""
    if not math.isfinite(value):
        return f"{NO_FIGURE} {slot.why_not(value)}"
    return f"{value:z.1f} {slot.unit}" if slot.unit else f"{value:+z.2f}"


def _highest(frame: Frame, slot: Slot) -> tuple[str, str] | None:
    """The highest value of a spectrum and its frequency; None for any other reading."""
    hertz = frame.vector(f"{slot.key}{FREQUENCIES}")
    values = frame.vector(slot.key)
    if slot.scalar or len(hertz) != len(values) or not np.isfinite(values).any():
        return None
    at = int(np.nanargmax(values))
    return words_of(slot, float(values[at])), f"Highest of {len(values)} bands, at {hertz[at]:.0f} Hz."


def _sentence(words: str) -> str:
    """Add a capital letter and a full stop."""
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."


def _table(frame: Frame) -> Table:
    status = frame.status
    rate = f"{status.rate_hz:,} Hz{', resampled' if status.resampled else ''}"
    where = f"{status.source}, {rate}, {status.channels} channels, {status.lost_frames} frames lost"
    return Table(title=where, title_justify="left", box=None, show_header=False, pad_edge=False)
