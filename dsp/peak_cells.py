"""Sample peak and true peak of a stream over cells of about 10 ms.

A true peak is never below the sample peak. Only values all of whose taps lie on received frames are read, so
neither the start nor a gap makes a peak; the last 63 frames so far are known by their samples only.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from dsp.true_peak import BLOCK, STEP, VIEWS, overshoot_bounds, step_matrix
from dsp.types import TICKS_PER_SECOND, FloatArray, check_block

SAMPLE, TRUE = 0, 1

CELLS_IN_PART = 200
"""Larger blocks are taken in parts of this many cells, shared among the channels, so that all stays in cache."""

CELLS_IN_PRODUCT = 10
STEPS_IN_PRODUCT = 200
"""Matrix products of this size are fastest: larger ones make a matrix library pack its input and start threads."""

MOST = 0.6
PARTS_UNTESTED = 7
"""With more than this share of a part's true peaks undecided, all are worked out: cheaper than picking them. Noise
is like that for long; so that many parts after it are worked out without asking."""

ROUNDING = 1.0 + 1e-5
"""Single precision is used between frames; its error stays below 5e-6 of the highest sample, 0.00005 dB."""


class PeakCells:
    """Peaks of each channel over cells of a whole number of 48-frame steps, about 10 ms.

    Peaks are amplitudes, in arrays ``(..., 2, channels)`` with rows ``SAMPLE`` and ``TRUE``. In a block of many
    cells a true peak that provably stays below a later sample peak of the same block, and on the same side of
    ``limit`` as its own sample peak, is not worked out; its sample peak stands in. No maximum, held value or
    falling value, nor a count of cells above ``limit``, can tell the difference.
    """

    def __init__(self, rate_hz: int, channels: int, limit: float) -> None:
        self._channels = channels
        self._limit = limit
        self._steps = max(1, round(rate_hz / TICKS_PER_SECOND / STEP))
        self._matrix = step_matrix()
        self._bounds = overshoot_bounds()
        products = max(1, CELLS_IN_PART // channels // CELLS_IN_PRODUCT)
        self._part_frames = products * CELLS_IN_PRODUCT * self.cell_frames
        self._frames = np.zeros((channels, STEP + self.cell_frames + self._part_frames), dtype=np.float32)
        self._scratch = np.empty(VIEWS * self._frames.size, dtype=np.float32)
        self.reset()

    @property
    def cell_frames(self) -> int:
        """Frames in one cell."""
        return self._steps * STEP

    def reset(self) -> None:
        """Forget the signal. What lies before the first frame is not silence but unknown."""
        self._frames[:, :STEP] = 0.0
        self._held = STEP
        self._fresh = True
        self._untested = 0
        self._open: FloatArray | None = None

    def push(self, block: FloatArray) -> FloatArray:
        """Peaks ``(cells, 2, channels)`` of the cells that this block completes; may be empty."""
        check_block(block, self._channels)
        part = self._part_frames
        found = [self._push_part(block[start : start + part]) for start in range(0, len(block), part)]
        return np.concatenate(found) if found else np.empty((0, 2, self._channels))

    def skip(self) -> FloatArray:
        """Frames were lost here: peaks ``(2, channels)`` of the cell that this cuts short; a new one begins."""
        peaks = self.open_cell()
        self.reset()
        return peaks

    def open_cell(self) -> FloatArray:
        """Peaks ``(2, channels)`` so far of the cell that is not complete."""
        if self._open is None:
            samples = np.abs(self._frames[:, STEP : self._held]).max(axis=1, initial=0.0)
            true = samples
            if steps := self._held // STEP - 1:
                fresh = np.full(self._channels, self._fresh)
                true = np.maximum(samples, self._between(self._frames, 1, steps, fresh)[:, 0])
            self._open = np.stack([samples, true]).astype(np.float64)
        return self._open

    def _push_part(self, block: FloatArray) -> FloatArray:
        """Append to the frames held, take all whole cells, hold the rest and one step before it."""
        self._open = None
        total = self._held + len(block)
        self._frames[:, self._held : total] = block.T
        cells = (total - STEP) // self.cell_frames
        if not cells:
            self._held = total
            return np.empty((0, 2, self._channels))
        samples, true = self._peaks(cells)
        used = cells * self.cell_frames
        self._held = total - used
        self._frames[:, : self._held] = self._frames[:, used:total]
        self._fresh = False
        return np.stack([samples.T, true.T], axis=1).astype(np.float64)

    def _peaks(self, cells: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Sample peaks and true peaks ``(channels, cells)`` of the first cells held."""
        frames = self._frames[:, : STEP + cells * self.cell_frames]
        magnitudes = np.abs(frames, out=self._scratch_like(frames, 0))
        samples = self._highest_by_cell(magnitudes[:, STEP:])
        if cells == 1 or self._untested:
            self._untested = max(0, self._untested - 1)
            return samples, self._all_true(samples)
        undecided = self._undecided(samples, magnitudes[:, :STEP].max(axis=1))
        if np.count_nonzero(undecided) > MOST * undecided.size:
            self._untested = PARTS_UNTESTED
            return samples, self._all_true(samples)
        true = samples.copy()
        channel, cell = np.nonzero(undecided)
        between = self._between(self._segments(cells)[channel, cell], 1, self._steps, (cell == 0) & self._fresh)
        true[channel, cell] = np.maximum(samples[channel, cell], between[:, 0])
        return samples, true

    def _all_true(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """True peaks ``(channels, cells)`` where the sample peaks are ``samples``, every one worked out."""
        fresh = np.full(self._channels, self._fresh)
        return np.asarray(np.maximum(samples, self._between(self._frames, samples.shape[1], self._steps, fresh)))

    def _scratch_like(self, array: NDArray[np.float32], part: int) -> NDArray[np.float32]:
        """Room for an array of that shape, in one of ``VIEWS`` parts of the scratch space."""
        start = part * self._frames.size
        return self._scratch[start : start + array.size].reshape(array.shape)

    def _segments(self, cells: int) -> NDArray[np.float32]:
        """View ``(channels, cells, frames)`` of each cell with the step before it."""
        row, item = self._frames.strides
        shape = (self._channels, cells, STEP + self.cell_frames)
        return np.ndarray(shape, np.float32, self._frames, 0, (row, self.cell_frames * item, item))

    def _highest_by_cell(self, values: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(values.reshape(self._channels, -1, self.cell_frames).max(axis=-1))

    def _undecided(self, samples: NDArray[np.float32], before: NDArray[np.float32]) -> NDArray[np.bool_]:
        """Which true peaks ``(channels, cells)`` have to be worked out; ``before`` is the peak of the step before."""
        later = np.zeros_like(samples)
        later[:, :-1] = np.maximum.accumulate(samples[:, :0:-1], axis=1)[:, ::-1]
        bound = self._bound(samples, before)
        return np.asarray((bound > later) | ((bound > self._limit) & (samples <= self._limit)))

    def _bound(self, samples: NDArray[np.float32], before: NDArray[np.float32]) -> NDArray[np.float32]:
        """What no true peak ``(channels, cells)`` can exceed."""
        by_peak, by_line, by_bend = self._bounds
        frames = self._frames[:, : STEP + samples.shape[1] * self.cell_frames]
        slopes = np.subtract(frames[:, 1:], frames[:, :-1], out=self._scratch_like(frames[:, 1:], 0))
        bends = np.subtract(slopes[:, 1:], slopes[:, :-1], out=self._scratch_like(frames[:, 2:], 1))
        np.abs(bends, out=bends)
        peak = _with_previous(before, samples)
        bend = _with_previous(bends[:, : STEP - 2].max(axis=1), self._highest_by_cell(bends[:, STEP - 2 :]))
        return np.asarray(np.minimum(by_peak * peak, by_line * peak + by_bend * bend) * np.float32(ROUNDING))

    def _between(
        self, frames: NDArray[np.float32], cells: int, steps: int, fresh: NDArray[np.bool_]
    ) -> NDArray[np.float32]:
        """Highest magnitudes ``(rows, cells)`` between the frames of each row, in cells of ``steps`` steps.

        ``frames`` is contiguous; each row begins with the step before its first cell. Where ``fresh`` ``(rows,)``
        that step is not part of the signal.
        """
        row, item = frames.strides
        group = _cells_in_product(cells, steps)
        shape = (VIEWS, len(frames), cells // group, group * steps, STEP)
        strides = (BLOCK * item, row, group * steps * STEP * item, STEP * item, item)
        products = self._scratch[: math.prod(shape)].reshape(shape)
        np.matmul(np.ndarray(shape, np.float32, frames, 0, strides), self._matrix, out=products)
        np.abs(products, out=products)
        values = products.reshape(VIEWS, len(frames), cells, steps * STEP)
        if fresh.any():
            values[:, fresh, 0, :STEP] = 0.0
        return np.asarray(values.max(axis=0).max(axis=-1))


def _cells_in_product(cells: int, steps: int) -> int:
    fits = cells % CELLS_IN_PRODUCT == 0 and steps * CELLS_IN_PRODUCT <= STEPS_IN_PRODUCT
    return CELLS_IN_PRODUCT if fits else 1


def _with_previous(before: NDArray[np.float32], cells: NDArray[np.float32]) -> NDArray[np.float32]:
    """The higher of each cell ``(channels, cells)`` and the one before it; ``before`` precedes the first."""
    return np.asarray(np.maximum(cells, np.concatenate([before[:, None], cells[:, :-1]], axis=1)))
