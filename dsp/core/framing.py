"""Overlapping frames of a stream, and a bounded history of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from dsp.core.types import FloatArray


class Framer:
    """Cut ``(frames, channels)`` into overlapping frames of ``length`` every ``hop``, across block edges.

    ``push`` returns ``(count, length, channels)``, a read-only view; frames start at multiples of ``hop``.
    """

    def __init__(self, length: int, hop: int, channels: int, dtype: type[np.floating[Any]] = np.float64) -> None:
        if not 0 < hop <= length:
            raise ValueError(f"A hop of {hop} does not suit frames of {length}; use 1 to {length}.")
        self.length = length
        self.hop = hop
        self._channels = channels
        self._dtype = dtype
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._rest = np.empty((0, self._channels), self._dtype)

    def push(self, block: NDArray[Any]) -> NDArray[Any]:
        """All frames that end in this block."""
        joined = np.concatenate([self._rest, block])
        count = max(0, (len(joined) - self.length) // self.hop + 1)
        self._rest = joined[count * self.hop :].copy()
        if not count:
            return np.empty((0, self.length, self._channels), self._dtype)
        row, column = joined.strides
        shape = (count, self.length, self._channels)
        return np.asarray(as_strided(joined, shape, (self.hop * row, row, column), writeable=False))


@dataclass(frozen=True)
class Held:
    """Rows of a stream as blocks that nothing changes any more; ``rows`` are the newest ``keep`` of them, or all."""

    blocks: tuple[NDArray[Any], ...]
    keep: int | None
    width: int
    dtype: type[np.floating[Any]]

    def rows(self) -> NDArray[Any]:
        """Everything held, oldest first, ``(n, width)``."""
        if not self.blocks:
            return np.empty((0, self.width), self.dtype)
        joined = np.concatenate(self.blocks) if len(self.blocks) > 1 else self.blocks[0]
        return joined if self.keep is None else joined[-self.keep :]


class History:
    """The last ``keep`` rows of a stream ``(frames, width)``; all of it when ``keep`` is None.

    ``dtype`` float32 halves the memory.
    """

    def __init__(self, keep: int | None, width: int, dtype: type[np.floating[Any]] = np.float64) -> None:
        self._keep = keep
        self._width = width
        self._dtype = dtype
        self.reset()

    def reset(self) -> None:
        """Forget everything."""
        self._parts: list[NDArray[Any]] = []
        self._held = 0

    def push(self, rows: FloatArray) -> None:
        """Add rows at the end and drop the oldest."""
        if not len(rows):
            return
        self._parts.append(rows.astype(self._dtype))
        self._held += len(rows)
        if self._keep is None:
            return
        while self._held - len(self._parts[0]) >= self._keep:
            self._held -= len(self._parts.pop(0))

    def held(self) -> Held:
        """What is held now; later rows do not change it."""
        return Held(tuple(self._parts), self._keep, self._width, self._dtype)

    def rows(self) -> NDArray[Any]:
        """Everything held, oldest first, ``(n, width)``."""
        return self.held().rows()


def longest_unbroken(rows: FloatArray) -> slice:
    """Return the longest run of rows without a NaN, the latest of equals."""
    if not np.isnan(rows.sum()):  # ten times as fast as looking at each row
        return slice(0, len(rows))
    missing = np.flatnonzero(np.isnan(rows).any(axis=1))
    edges = np.concatenate([[-1], missing, [len(rows)]])
    lengths = np.diff(edges) - 1
    last_longest = len(lengths) - 1 - int(np.argmax(lengths[::-1]))
    return slice(int(edges[last_longest]) + 1, int(edges[last_longest + 1]))
