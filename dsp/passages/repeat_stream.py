"""The last two minutes of a stream, kept small, for the comparison of repeats of a loop.

Kept are the mean of all channels at about 16 and 4 kHz, to find a repeat by its wave, and for every 10 ms the energy
of all channels K-weighted (BS.1770-5) and unweighted in 20 to 120 Hz, to compare levels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.core.captured_stretch import Block, Capture
from dsp.core.mid_rate import MidRate
from dsp.core.scipy_signal import butter
from dsp.core.sos import SosFilter
from dsp.core.types import TICKS_PER_SECOND, FloatArray
from dsp.core.windows import TickEnergies
from dsp.loudness.k_weighted_energies import KWeightedEnergies

MEMORY_SECONDS = 120.0
WAVE_HZ = 16_000.0
COARSER = 4
LOW_HZ = (20.0, 120.0)
LOW_ORDER = 3
CHUNK_SECONDS = 0.25
"""Less is not stored by itself, so that small blocks make no long list."""
LONGEST_GAP_SECONDS = 5.0
"""After a longer gap nothing from before it is kept."""
MOST_MARKS = 400


class _Track:
    """The newest columns of one array ``(rows, n)``; ``count`` is how many there were in all."""

    def __init__(self, rows: int, per_second: float) -> None:
        self._capture = Capture(round(MEMORY_SECONDS * per_second))
        self._least = max(1, round(CHUNK_SECONDS * per_second))
        self._rows = rows
        self._pending: list[Block] = []
        self._waiting = 0
        self.count = 0

    def push(self, columns: FloatArray) -> None:
        """Add columns ``(rows, n)``."""
        if not columns.shape[1]:
            return
        self.count += columns.shape[1]
        self._pending.append(columns.astype(np.float32))
        self._waiting += columns.shape[1]
        if self._waiting >= self._least:
            self._capture.push(np.concatenate(self._pending, axis=1))
            self._pending, self._waiting = [], 0

    def held(self) -> Track:
        """What is kept now."""
        blocks = (np.empty((self._rows, 0), dtype=np.float32), *self._capture.held(), *self._pending)
        return Track(blocks, self.count - self._capture.held_frames - self._waiting)


@dataclass(frozen=True)
class Track:
    """Blocks ``(rows, n)`` one after the other; ``first`` is the number of the first column."""

    blocks: tuple[Block, ...]
    first: int

    def joined(self) -> NDArray[np.float32]:
        """All in one array."""
        return np.concatenate(self.blocks, axis=1)


@dataclass(frozen=True)
class RepeatStretch:
    """``wave`` has one row at ``wave_hz``, late by ``delay_seconds``; ``coarse`` one at a ``COARSER``-th of that.

    ``energies`` has two rows, K-weighted and lows.
    Column ``n`` of ``energies`` holds the tick ``n`` of 10 ms. Lost sound is NaN. ``switches`` are the places of all
    marks in seconds, oldest first. Places count from ``origin_seconds``, the start of what may be kept;
    ``end_seconds`` is the whole time so far.
    """

    wave: Track
    coarse: Track
    wave_hz: float
    delay_seconds: float
    energies: Track
    switches: tuple[float, ...]
    origin_seconds: float
    end_seconds: float


class RepeatStream:
    """Stores a stream of blocks ``(frames, channels)``."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz, self._channels = rate_hz, channels
        self._origin = 0
        self._marks: list[int] = []
        self._begin()

    def _begin(self) -> None:
        self._mid = MidRate(self._rate_hz, 1, WAVE_HZ)
        self._coarser = MidRate(round(self._mid.rate_hz), 1, self._mid.rate_hz / COARSER)
        self._k = KWeightedEnergies(self._rate_hz, self._channels)
        low = butter(LOW_ORDER, LOW_HZ, "bandpass", fs=self._rate_hz, output="sos")
        self._low = SosFilter(low, self._channels)
        self._low_ticks = TickEnergies(self._rate_hz)
        self._wave = _Track(1, self._mid.rate_hz)
        self._coarse = _Track(1, self._mid.rate_hz / COARSER)
        self._energies = _Track(2, TICKS_PER_SECOND)
        self._frames = 0

    @property
    def held_seconds(self) -> float:
        """How much can be compared."""
        return min(self._frames / self._rate_hz, MEMORY_SECONDS)

    def process(self, block: FloatArray) -> None:
        """Store a block."""
        wave, _ = self._mid.push(block.mean(axis=1, keepdims=True))
        lows = self._low_ticks.push(self._low.process(block))
        self._store(wave, self._k.push(block), lows, len(block))

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        if frames > LONGEST_GAP_SECONDS * self._rate_hz:
            self._origin += self._frames + frames
            self._begin()
            return
        wave, _ = self._mid.skip(frames)
        self._k.restart_filter()
        self._low.reset()
        self._store(wave, self._k.skip(frames), self._low_ticks.skip(frames), frames)

    def mark(self) -> None:
        """A switch was marked here."""
        self._marks = [*self._marks, self._origin + self._frames][-MOST_MARKS:]

    def stretch(self) -> RepeatStretch:
        """What is kept now; later sound does not change it."""
        marks = tuple((mark - self._origin) / self._rate_hz for mark in self._marks)
        end = (self._origin + self._frames) / self._rate_hz
        return RepeatStretch(
            self._wave.held(), self._coarse.held(), self._mid.rate_hz, self._mid.delay_seconds, self._energies.held(),
            marks, self._origin / self._rate_hz, end,
        )  # fmt: skip

    def _store(self, wave: FloatArray, weighted: FloatArray, lows: FloatArray, frames: int) -> None:
        coarse, _ = self._coarser.push(wave)
        self._wave.push(wave.T)
        self._coarse.push(coarse.T)
        self._energies.push(np.concatenate([weighted, lows], axis=1).T)
        self._frames += frames
