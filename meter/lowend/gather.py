"""One reading of all parts, side by side, in memory that hardly grows with the length of the song."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field

import numpy as np

from dsp.core.types import FloatArray
from dsp.lowend.likeness import LowLikeness
from dsp.lowend.low_band import LowBand
from dsp.lowend.low_part import LowPart
from dsp.lowend.low_stretch import LowStretch
from dsp.lowend.shares import LowShares
from dsp.stereo.mono_bands import MonoBands
from meter.lowend.loudest import LoudestStretches
from meter.lowend.sources import PartSource, Reader, clean_block

BLOCK_SECONDS = 2
KEPT_SECONDS = 900.0
"""Hits and rumble are looked at over the last quarter of an hour; shares and losses over all of it."""

Progress = Callable[[int], None]


@dataclass
class Gathered:
    """State after the reading. ``mix`` and ``sum`` are kept for their low spectra and for lining up."""

    rate_hz: int
    frames: int
    parts: list[LowPart]
    sum: LowPart
    mix: LowPart | None
    shares: LowShares
    mono: list[MonoBands | None]
    likeness: LowLikeness
    loudest: LoudestStretches
    names: tuple[str, ...] = ()
    mix_name: str = "mix"
    invalid: dict[str, int] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def stretch(self) -> LowStretch:
        """All of it, for the study."""
        seconds = self.frames / self.rate_hz
        return LowStretch(
            rate_hz=self.rate_hz,
            names=self.names,
            seconds=seconds,
            sums=self.shares.whole(),
            alike=self.likeness.alike(),
            parts=tuple(part.sound() for part in self.parts),
            together=self.sum.sound(),
            mix=self.mix.sound() if self.mix is not None else None,
            mono_loss_db=tuple(np.zeros(6) if mono is None else mono.loss_db() for mono in self.mono),
            captured=self.loudest,
            kept_seconds=seconds,
            active=(True,) * len(self.names),
            mix_name=self.mix_name,
        )


def in_step(readers: Sequence[Reader], rate_hz: int, most: int) -> Iterator[tuple[list[FloatArray], list[int]]]:
    """Equally long blocks of all readers, with counts of samples that are no numbers, until the shortest ends.

    At most ``most`` frames in all.
    """
    done = 0
    while done < most:
        blocks = [reader.read(min(BLOCK_SECONDS * rate_hz, most - done)) for reader in readers]
        shortest = min(len(block) for block in blocks)
        if not shortest:
            return
        cleaned = [clean_block(block[:shortest]) for block in blocks]
        yield [clean for clean, _ in cleaned], [bad for _, bad in cleaned]
        done += shortest
        if any(len(block) < min(BLOCK_SECONDS * rate_hz, most - done + shortest) for block in blocks):
            return


def in_stereo(block: FloatArray) -> FloatArray:
    """Mono in both channels, stereo as it is."""
    return np.repeat(block, 2, axis=1) if block.shape[1] == 1 else block


def gather(parts: Sequence[PartSource], mix: PartSource | None, most: int, progress: Progress) -> Gathered:
    """Read all parts once, up to ``most`` frames; ``progress`` is told the frames of each step."""
    rate_hz = parts[0].rate_hz
    sources = [*parts, *([mix] if mix else [])]
    columns, first = [], 0
    for source in sources:
        columns.append(tuple(range(first, first + source.channels)))
        first += source.channels
    splitter = LowBand(rate_hz, first)
    joined = np.empty((BLOCK_SECONDS * rate_hz, first))
    found = Gathered(
        rate_hz=rate_hz,
        frames=0,
        parts=[LowPart(rate_hz, part.channels, KEPT_SECONDS) for part in parts],
        sum=LowPart(rate_hz, 2, KEPT_SECONDS, with_notes=False),
        mix=LowPart(rate_hz, 2, KEPT_SECONDS, with_notes=False) if mix else None,
        shares=LowShares(splitter.hop_seconds, columns[: len(parts)], columns[-1] if mix else None),
        mono=[MonoBands(rate_hz) if part.channels == 2 else None for part in parts],
        likeness=LowLikeness(splitter.hop_seconds, columns[: len(parts)]),
        loudest=LoudestStretches(rate_hz, len(parts)),
        names=tuple(part.name for part in parts),
        mix_name=mix.name if mix else "mix",
    )
    with ExitStack() as stack:
        readers = [stack.enter_context(source.opened()) for source in sources]
        for blocks, invalid in in_step(readers, rate_hz, most):
            np.concatenate(blocks, axis=1, out=joined[: len(blocks[0])])
            hops = splitter.process(joined[: len(blocks[0])])
            found.shares.push(hops)
            found.likeness.push(hops)
            _take(found, blocks)
            for source, bad in zip(sources, invalid, strict=True):
                if bad:
                    found.invalid[source.name] = found.invalid.get(source.name, 0) + bad
            progress(len(blocks[0]))
        found.notes += [reader.note for reader in readers if reader.note]
    return found


def _take(found: Gathered, blocks: list[FloatArray]) -> None:
    found.frames += len(blocks[0])
    together = np.zeros((len(blocks[0]), 2))
    for part, mono, block in zip(found.parts, found.mono, blocks, strict=False):
        part.push(block)
        if mono is not None:
            mono.process(block)
        together += block
    found.sum.push(together)
    mix = in_stereo(blocks[-1]) if found.mix is not None else None
    if found.mix is not None and mix is not None:
        found.mix.push(mix)
    found.loudest.push(blocks[: len(found.parts)], together, mix)
