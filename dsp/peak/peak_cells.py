"""Sample peak and true peak of a stream over cells of about 10 ms.

A true peak is never below the sample peak. Values between frames are computed only where all taps lie on received
frames, so neither the start nor a gap makes a peak; the newest 63 frames have sample peaks only.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import TICKS_PER_SECOND, FloatArray, check_block
from dsp.peak.true_peak import BLOCK, STEP, VIEWS, overshoot_bounds, step_matrix

SAMPLE, TRUE = 0, 1

CELLS_IN_PART = 200
PARTS_KEPT = 12
"""Blocks are cut into parts of this many cells, shared among the channels, to stay in cache; as many parts are kept
while some of their true peaks wait."""

CELLS_AT_ONCE = 20
"""Up to this many new cells all true peaks are computed: cheaper than finding out which matter."""

CELLS_IN_PRODUCT = 10
STEPS_IN_PRODUCT = 200
"""Matrix products of this size are fastest: larger ones make a matrix library pack its input and start threads."""

ROUNDING = 1.0 + 1e-5
"""Single precision is used between frames; its error stays below 5e-6 of the highest sample, 0.00005 dB."""

Float32Array = NDArray[np.float32]
Decided = Callable[[NDArray[np.intp], NDArray[np.intp], Float32Array], NDArray[np.bool_]]
"""Takes cell number, channel and bound, ``(k,)`` each; returns where a true peak can no longer matter."""


class PeakCells:
    """Peaks of each channel over cells of a whole number of 48-frame steps, about 10 ms.

    Peaks are amplitudes, in arrays ``(..., 2, channels)`` with rows ``SAMPLE`` and ``TRUE``. In a long block most
    true peaks are provably below a later sample peak, so no maximum, held or falling value depends on them: they
    are not computed and have their sample peak as value. Those that may matter wait for ``settle``; by then later
    sound has often decided them as well. Whether a true peak exceeds ``limit`` is always decided at once.
    """

    def __init__(self, rate_hz: int, channels: int, limit: float) -> None:
        self._channels = channels
        self._limit = limit
        self._steps = max(1, round(rate_hz / TICKS_PER_SECOND / STEP))
        self._matrix = step_matrix()
        self._bounds = overshoot_bounds()
        self._part_cells = max(1, CELLS_IN_PART // channels // CELLS_IN_PRODUCT) * CELLS_IN_PRODUCT
        kept = PARTS_KEPT * self._part_cells + 1
        self._frames = np.zeros((channels, STEP + kept * self.cell_frames), dtype=np.float32)
        self._bound = np.zeros((channels, kept), dtype=np.float32)
        self._waits = np.zeros((channels, kept), dtype=bool)
        self._scratch = np.empty(VIEWS * channels * (self._part_cells + 1) * self.cell_frames, dtype=np.float32)
        self.reset()

    @property
    def cell_frames(self) -> int:
        """Frames in one cell."""
        return self._steps * STEP

    @property
    def cells(self) -> int:
        """Cells completed since the start or the last gap."""
        return self._dropped + self._kept

    @property
    def open_frames(self) -> int:
        """Frames of the cell that is not complete."""
        return self._held - STEP - self._kept * self.cell_frames

    @property
    def waiting(self) -> bool:
        """True when ``settle`` has something to compute."""
        return self._kept > 0

    def reset(self) -> None:
        """Forget the signal. Frames before the first are unknown, not silent."""
        self._frames[:, :STEP] = 0.0
        self._waits[:] = False
        self._held = STEP
        self._kept = 0
        self._dropped = 0
        self._open: FloatArray | None = None

    def parts(self, block: FloatArray) -> Iterator[FloatArray]:
        """Cut ``block`` into parts that ``push`` can take."""
        check_block(block, self._channels)
        frames = self._part_cells * self.cell_frames
        return (block[start : start + frames] for start in range(0, len(block), frames))

    def has_room(self, part: FloatArray) -> bool:
        """True when ``push`` can take this part; always after ``settle``."""
        return self._held + len(part) <= self._frames.shape[1]

    def push(self, part: FloatArray) -> FloatArray:
        """Peaks ``(cells, 2, channels)`` of the cells that this part completes; may be empty."""
        total = self._held + len(part)
        self._frames[:, self._held : total] = part.T
        self._held = total
        self._open = None
        cells = (self._held - STEP) // self.cell_frames - self._kept
        if not cells:
            return np.empty((0, 2, self._channels))
        samples, true = self._peaks(cells)
        self._kept += cells
        if not self._waits[:, : self._kept].any():
            self._drop()
        peaks = np.empty((cells, 2, self._channels))
        peaks[:, SAMPLE], peaks[:, TRUE] = samples.T, true.T
        return peaks

    def settle(self, decided: Decided) -> tuple[NDArray[np.intp], NDArray[np.intp], FloatArray]:
        """Compute what waits unless ``decided``; returns cell number, channel and true peak, ``(k,)`` each."""
        channel, cell = np.nonzero(self._waits[:, : self._kept])
        open_to = ~decided(cell + self._dropped, channel, self._bound[channel, cell])
        channel, cell = channel[open_to], cell[open_to]
        segments = self._segments(0, self._kept)
        true = [np.empty(0)]
        for start in range(0, len(cell), self._part_cells):
            some = slice(start, start + self._part_cells)
            true.append(self._of_segments(segments[channel[some], cell[some]], cell[some] + self._dropped == 0))
        number = cell + self._dropped
        self._drop()
        return number, channel, np.concatenate(true)

    def open_cell(self) -> FloatArray:
        """Peaks ``(2, channels)`` so far of the cell that is not complete."""
        if self._open is None:
            first = self._kept * self.cell_frames
            samples = np.abs(self._frames[:, first + STEP : self._held]).max(axis=1, initial=0.0)
            true = samples
            if steps := (self._held - first) // STEP - 1:
                true = np.maximum(samples, self._between(self._frames, first, 1, steps, self._fresh())[:, 0])
            self._open = np.stack([samples, true]).astype(np.float64)
        return self._open

    def _drop(self) -> None:
        """Forget all complete cells but the step before the open one."""
        rest = self._frames[:, self._kept * self.cell_frames : self._held]
        self._held = rest.shape[1]
        self._frames[:, : self._held] = rest
        self._waits[:, : self._kept] = False
        self._dropped += self._kept
        self._kept = 0

    def _fresh(self) -> NDArray[np.bool_]:
        """True for each channel whose next cell is its first."""
        return np.full(self._channels, self.cells == 0)

    def _peaks(self, cells: int) -> tuple[Float32Array, Float32Array]:
        """Sample peaks and true peaks ``(channels, cells)`` of the new cells; some true peaks may wait."""
        first = self._kept * self.cell_frames
        frames = self._frames[:, first : first + STEP + cells * self.cell_frames]
        magnitudes = np.abs(frames, out=self._scratch_like(frames, 0))
        samples = self._highest_by_cell(magnitudes[:, STEP:])
        if self._kept:
            waits = self._waits[:, : self._kept]
            waits &= self._bound[:, : self._kept] > samples.max(axis=1, keepdims=True)
        if cells <= CELLS_AT_ONCE:
            between = self._between(self._frames, first, cells, self._steps, self._fresh())
            return samples, np.asarray(np.maximum(samples, between))
        bound = self._bound[:, self._kept : self._kept + cells]
        bound[:] = self._highest_possible(frames, samples, magnitudes[:, :STEP].max(axis=1))
        near = (bound > self._limit) & (samples <= self._limit)
        self._waits[:, self._kept : self._kept + cells] = (bound > _highest_after(samples)) & ~near
        true = samples.copy()
        if near.any():
            fresh = np.nonzero(near)[1] + self.cells == 0
            true[near] = np.maximum(samples[near], self._of_segments(self._segments(first, cells)[near], fresh))
        return samples, true

    def _of_segments(self, segments: Float32Array, fresh: NDArray[np.bool_]) -> FloatArray:
        """True peaks ``(n,)`` between the frames of segments ``(n, frames)``."""
        return self._between(segments, 0, 1, self._steps, fresh)[:, 0].astype(np.float64)

    def _scratch_like(self, array: Float32Array, place: int) -> Float32Array:
        """Array of that shape in one of the ``VIEWS`` places of the scratch space."""
        start = place * (len(self._scratch) // VIEWS)
        return self._scratch[start : start + array.size].reshape(array.shape)

    def _segments(self, first: int, cells: int) -> Float32Array:
        """View ``(channels, cells, frames)`` of each cell with the step before it, from frame ``first`` held."""
        row, item = self._frames.strides
        shape = (self._channels, cells, STEP + self.cell_frames)
        return np.ndarray(shape, np.float32, self._frames, first * item, (row, self.cell_frames * item, item))

    def _highest_by_cell(self, magnitudes: Float32Array) -> Float32Array:
        return _highest(magnitudes.reshape(self._channels, -1, self.cell_frames))

    def _highest_possible(self, frames: Float32Array, samples: Float32Array, before: Float32Array) -> Float32Array:
        """Upper bound of the true peaks ``(channels, cells)``; ``before`` is the peak of the step before them."""
        by_peak, by_line, by_bend = self._bounds
        slopes = np.subtract(frames[:, 1:], frames[:, :-1], out=self._scratch_like(frames[:, 1:], 0))
        bends = np.subtract(slopes[:, 1:], slopes[:, :-1], out=self._scratch_like(frames[:, 2:], 1))
        np.abs(bends, out=bends)
        peak = _with_previous(before, samples)
        bend = _with_previous(bends[:, : STEP - 2].max(axis=1), self._highest_by_cell(bends[:, STEP - 2 :]))
        return np.asarray(np.minimum(by_peak * peak, by_line * peak + by_bend * bend) * np.float32(ROUNDING))

    def _between(
        self, frames: Float32Array, first: int, cells: int, steps: int, fresh: NDArray[np.bool_]
    ) -> Float32Array:
        """Highest magnitudes ``(rows, cells)`` between the frames of each row, in cells of ``steps`` steps.

        ``frames`` is contiguous; at ``first`` each row has the step before its first cell. Where ``fresh``
        ``(rows,)`` that step is not part of the signal.
        """
        row, item = frames.strides
        group = _cells_in_product(cells, steps)
        shape = (VIEWS, len(frames), cells // group, group * steps, STEP)
        strides = (BLOCK * item, row, group * steps * STEP * item, STEP * item, item)
        products = self._scratch[: math.prod(shape)].reshape(shape)
        np.matmul(np.ndarray(shape, np.float32, frames, first * item, strides), self._matrix, out=products)
        np.abs(products, out=products)
        values = products.reshape(VIEWS, len(frames), cells, steps * STEP)
        if fresh.any():
            values[:, fresh, 0, :STEP] = 0.0
        return np.asarray(_highest(values).max(axis=0))


def _highest(magnitudes: Float32Array) -> Float32Array:
    """Highest along the last axis of non-negative numbers, compared as integers, which is faster."""
    return np.asarray(magnitudes.view(np.int32).max(axis=-1).view(np.float32))


def _highest_after(samples: Float32Array) -> Float32Array:
    """The highest of all cells ``(channels, cells)`` that come after each; 0 after the last."""
    later = np.zeros_like(samples)
    later[:, :-1] = np.maximum.accumulate(samples[:, :0:-1], axis=1)[:, ::-1]
    return later


def _cells_in_product(cells: int, steps: int) -> int:
    fits = cells % CELLS_IN_PRODUCT == 0 and steps * CELLS_IN_PRODUCT <= STEPS_IN_PRODUCT
    return CELLS_IN_PRODUCT if fits else 1


def _with_previous(before: Float32Array, cells: Float32Array) -> Float32Array:
    """The higher of each cell ``(channels, cells)`` and the one before it; ``before`` precedes the first."""
    return np.asarray(np.maximum(cells, np.concatenate([before[:, None], cells[:, :-1]], axis=1)))
