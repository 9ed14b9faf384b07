"""Parts as the ledger reads them: an array or a file, mono or stereo, read forward in blocks as often as needed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import soxr
from numpy.typing import NDArray

from dsp.core.types import CEILING, FloatArray
from meter.audio.file import open_blocks

CONVERTER_BLOCK_FRAMES = 65_536


class LowEndError(Exception):
    """Parts that cannot be compared; the text is one sentence that names the part and the fix."""


class Reader(Protocol):
    """An open part. ``read`` gives up to ``frames`` new frames, none at the end; ``note`` is a sentence or empty."""

    @property
    def note(self) -> str: ...
    def read(self, frames: int) -> NDArray[Any]: ...
    def close(self) -> None: ...


@dataclass(frozen=True)
class PartSource:
    """One named part or mix; ``frames`` is what its header claims. ``start`` opens it at its first frame."""

    name: str
    rate_hz: int
    channels: int
    frames: int
    start: Callable[[], Reader]

    @contextmanager
    def opened(self) -> Iterator[Reader]:
        """The reader at the first frame, closed in the end."""
        reader = self.start()
        try:
            yield reader
        finally:
            reader.close()


def from_file(name: str, path: Path) -> PartSource:
    """A sound file as a part. Raises SourceError for one that cannot be read."""
    with open_blocks(path) as reader:
        rate_hz, channels, frames = reader.rate_hz, reader.channels, reader.frames
    return PartSource(name, rate_hz, channels, frames, lambda: open_blocks(path))


def from_array(name: str, samples: NDArray[Any], rate_hz: int) -> PartSource:
    """Samples ``(frames,)`` or ``(frames, channels)`` as a part. Raises LowEndError for another shape."""
    block = samples[:, None] if samples.ndim == 1 else samples
    if block.ndim != 2 or block.shape[1] < 1:
        raise LowEndError(f"The part “{name}” has the shape {samples.shape}; give (frames, channels).")
    return PartSource(name, rate_hz, block.shape[1], len(block), lambda: _ArrayReader(block))


class _ArrayReader:
    def __init__(self, samples: NDArray[Any]) -> None:
        self.note = ""
        self._samples = samples
        self._at = 0

    def read(self, frames: int) -> NDArray[Any]:
        block = self._samples[self._at : self._at + frames]
        self._at += len(block)
        return block

    def close(self) -> None:
        self._samples = self._samples[:0]


def at_rate(source: PartSource, rate_hz: int) -> PartSource:
    """The same part converted to another rate."""
    if source.rate_hz == rate_hz:
        return source
    frames = source.frames * rate_hz // source.rate_hz
    start = source.start
    return PartSource(
        source.name, rate_hz, source.channels, frames,
        lambda: _Converted(start(), source.rate_hz, rate_hz, source.channels),
    )  # fmt: skip


class _Converted:
    """A reader behind a rate converter; what is no number is silence to it."""

    def __init__(self, inner: Reader, from_hz: int, to_hz: int, channels: int) -> None:
        self._inner = inner
        self._converter = soxr.ResampleStream(from_hz, to_hz, channels, dtype="float64")
        self._ready: FloatArray = np.empty((0, channels))
        self._ended = False

    @property
    def note(self) -> str:
        """The inner reader's sentence."""
        return self._inner.note

    def read(self, frames: int) -> NDArray[Any]:
        while len(self._ready) < frames and not self._ended:
            block = self._inner.read(CONVERTER_BLOCK_FRAMES)
            self._ended = not len(block)
            clean = np.ascontiguousarray(np.nan_to_num(clean_block(block)[0]))
            self._ready = np.concatenate([self._ready, self._converter.resample_chunk(clean, last=self._ended)])
        block, self._ready = self._ready[:frames], self._ready[frames:]
        return block

    def close(self) -> None:
        self._inner.close()


def clean_block(block: NDArray[Any]) -> tuple[FloatArray, int]:
    """The block in double precision with NaN for what is no number or beyond +60 dBFS, and how many those are."""
    clean = np.array(block, dtype=np.float64)
    # NaN compares false, so this catches NaN, infinity and what is too large.
    if clean.max(initial=0.0) <= CEILING and clean.min(initial=0.0) >= -CEILING:
        return clean, 0
    bad = ~(np.abs(clean) <= CEILING)
    clean[bad] = np.nan
    return clean, int(bad.sum())


def check_sources(parts: Sequence[PartSource], mix: PartSource | None) -> None:
    """Raise LowEndError with one sentence for parts that cannot be compared at all."""
    if not parts:
        raise LowEndError("No part was given; name at least one with --part NAME=FILE.")
    names = [part.name for part in parts]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise LowEndError(f"Two parts are named “{twice}”; give each its own name.")
    for source in [*parts, *([mix] if mix else [])]:
        if source.channels > 2:
            raise LowEndError(
                f"“{source.name}” has {source.channels} channels; a part is mono or stereo, so split it."
            )


def common_rate(sources: Sequence[PartSource]) -> int:
    """The rate most sources have; of equals the higher."""
    rates = [source.rate_hz for source in sources]
    return max(set(rates), key=lambda rate: (rates.count(rate), rate))
