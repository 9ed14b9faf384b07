"""What the low-end study looks back at: sums, kept low audio of every part, and full-rate sound to try filters on.

Live it is the newest of a stream (``low_stream``), offline a whole file. Nothing in it changes after it is made, so
another thread may read it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from dsp.core.captured_stretch import Block
from dsp.core.types import FloatArray
from dsp.lowend.likeness import Alike
from dsp.lowend.part_sound import PartSound
from dsp.lowend.shares import LowSums


@dataclass(frozen=True)
class Captured:
    """One part at full rate and what sounded with it: the sum of all parts and the mix, if there is one.

    ``(frames, channels)`` of the same frames; the sum and the mix have two channels.
    """

    own: FloatArray
    together: FloatArray
    mix: FloatArray | None


class CapturedSound(Protocol):
    """Captured sound by part."""

    def of(self, part: int) -> Captured | None:
        """The stretch to try high-passes of one part on, by its number; None before any sound."""
        ...


@dataclass(frozen=True)
class CapturedBlocks:
    """The newest ``frames`` frames in ``blocks`` of ``Capture``; columns are rows of the blocks."""

    blocks: tuple[Block, ...]
    frames: int
    parts: Sequence[Sequence[int]]
    together: Sequence[int]
    mix: Sequence[int] | None

    def of(self, part: int) -> Captured | None:
        """The same frames of every part."""
        if not self.blocks:
            return None
        mix = self._read(self.mix) if self.mix is not None else None
        return Captured(self._read(self.parts[part]), self._read(self.together), mix)

    def _read(self, rows: Sequence[int]) -> FloatArray:
        joined = np.concatenate([block[list(rows)] for block in self.blocks], axis=1)[:, -self.frames :]
        return np.ascontiguousarray(joined.T, dtype=np.float64)


@dataclass(frozen=True)
class LowStretch:
    """All of a stretch. Sequences go by part, in the order of ``names``.

    ``seconds`` were heard. ``alike`` are parts that hold the same lows. ``together`` and ``mix`` are the sum of the
    parts and the mix. ``mono_loss_db`` holds each part's loss in the bands of ``mono_bands``, ``(6,)``. The kept
    sound ends at ``kept_seconds``, a clock that stands still in silence. ``active`` says which parts played lately.
    A study looks at ``most_looks`` parts and tries high-passes on ``most_trials`` at most; None is all.
    ``pair_seconds`` is the length of the newest sound that kick and bass are compared in.
    """

    rate_hz: int
    names: tuple[str, ...]
    seconds: float
    sums: LowSums
    alike: tuple[Alike, ...]
    parts: tuple[PartSound, ...]
    together: PartSound
    mix: PartSound | None
    mono_loss_db: tuple[FloatArray, ...]
    captured: CapturedSound
    kept_seconds: float
    active: tuple[bool, ...]
    most_looks: int | None = None
    most_trials: int | None = None
    pair_seconds: float = float("inf")
    mix_name: str = "mix"
