"""Readings of a sound file: the same chain as live, fed in blocks of 5 s."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from dsp.core.channel_roles import ChannelOrder
from dsp.core.types import TICKS_PER_SECOND
from meter.audio.file import BlockReader, open_blocks
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.engine.sanitise import Sanitiser
from meter.feeds import whole_mix
from meter.plugin.host import Plugin
from meter.readings import FeedStatus, Frame

BLOCK_SECONDS = 5
EXPORT = "loudness depends on it, so export with a channel mask to be sure"
ORIGINS = {
    "mask": "channel mask of the file",
    "format": "order of the file format",
    "count": "assumed from the channel count",
}


@dataclass(frozen=True)
class Measurement:
    """All readings of one file. ``notes`` are sentences about the file or a meter that could not run.

    ``faults`` are the ``notes`` that name a meter.
    """

    file: str
    rate_hz: int
    channels: int
    seconds: float
    readings: dict[str, Any]
    invalid_samples: int = 0
    notes: tuple[str, ...] = field(default=())
    faults: tuple[str, ...] = field(default=())
    order: ChannelOrder | None = None

    @property
    def channel_facts(self) -> dict[str, Any]:
        """Roles of the channels and their origin; empty for mono and stereo."""
        if self.order is None or self.order.is_plain:
            return {}
        return {"channel_roles": list(self.order.roles), "channel_roles_from": ORIGINS[self.order.origin]}

    def to_json(self) -> dict[str, Any]:
        """One flat object: the file's facts, then every summary reading with its unit in the key."""
        facts = {"file": self.file, "rate_hz": self.rate_hz, "channels": self.channels, "seconds": self.seconds}
        extras = self.channel_facts
        if self.invalid_samples:
            extras["invalid_samples"] = self.invalid_samples
        if self.notes:
            extras["notes"] = list(self.notes)
        return facts | self.readings | extras


def measure_file(
    path: Path,
    plugins: Sequence[Plugin],
    progress: Callable[[int], None] = lambda _frames: None,
    on_meter: Callable[[int], None] = lambda _index: None,
) -> Measurement:
    """Measure one file in constant memory. Raises SourceError.

    ``progress`` is called with 0 when all meters are loaded, then with the frames of each block. ``on_meter`` is
    called with the index in ``plugins`` before a meter is called, and with -1 when all have returned.
    """
    with open_blocks(path) as reader:
        meters = [GuardedMeter(plugin) for plugin in plugins]
        for index, meter in enumerate(meters):
            meter.enter = partial(on_meter, index)
        mix = whole_mix(reader.channels)
        roles = reader.order.roles if reader.order.origin != "count" else ()
        chain = Chain(meters, reader.rate_hz, reader.channels, mix, leave=partial(on_meter, -1), roles=roles)
        progress(0)
        sanitiser = Sanitiser(reader.rate_hz)
        _feed(reader, chain, sanitiser, progress)
        frame = Frame(chain.layout, chain.read(), FeedStatus(quarantined=chain.faults))
        return Measurement(
            file=str(path),
            rate_hz=reader.rate_hz,
            channels=reader.channels,
            seconds=round(reader.frames_read / reader.rate_hz, 6),
            readings=frame.summary(),
            invalid_samples=sanitiser.invalid_samples,
            notes=_notes(reader, chain, sanitiser),
            faults=tuple(chain.faults.values()),
            order=reader.order,
        )


def has_file_readings(plugin: Plugin) -> bool:
    """True for a meter with a summary of a whole file."""
    manifest = plugin.manifest
    return manifest is not None and not manifest.live_only and any(entry.summary for entry in manifest.field)


def _feed(reader: BlockReader, chain: Chain, sanitiser: Sanitiser, progress: Callable[[int], None]) -> None:
    # Whole ticks, so that the sanitiser's grid is the same whatever the block size.
    frames = BLOCK_SECONDS * TICKS_PER_SECOND * max(1, reader.rate_hz // TICKS_PER_SECOND)
    while len(block := reader.read(frames)):
        for piece in sanitiser.pieces(block):
            chain.take(piece)
        progress(len(block))


def _invalid_sentence(reader: BlockReader, sanitiser: Sanitiser) -> str:
    if not sanitiser.valid_frames:
        return f"'{reader.path.name}' holds no valid sample (not numbers, or beyond +60 dBFS); export it again."
    return (
        f"{sanitiser.invalid_samples:,} samples are invalid (not numbers, or beyond +60 dBFS); "
        "the 10 ms around each are left out, as gaps."
    )


def _unplaced_sentence(reader: BlockReader) -> str:
    """One sentence where the file's mask has fewer positions than there are channels, otherwise empty."""
    order = reader.order
    placed = sum(not role.isdecimal() for role in order.roles)
    if order.origin != "mask" or placed == reader.channels:
        return ""
    return (
        f"The channel mask of '{reader.path.name}' places {placed} of its {reader.channels} channels; the others "
        "count like fronts in loudness, so export it again with a whole mask."
    )


def _notes(reader: BlockReader, chain: Chain, sanitiser: Sanitiser) -> tuple[str, ...]:
    notes = [reader.note] if reader.note else []
    if sanitiser.invalid_samples:
        notes.append(_invalid_sentence(reader, sanitiser))
    notes += [
        sentence for sentence in (chain.assumed(reader.path.name, EXPORT), _unplaced_sentence(reader)) if sentence
    ]
    return (*notes, *chain.faults.values())
