"""Sums and maxima over 10 ms ticks, and sums over windows of whole ticks: any block size, gaps as NaN."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from dsp.core.types import TICKS_PER_SECOND, FloatArray, tick_edge

MANY_COLUMNS = 16


class TickSums:
    """Sums of per-frame values over 10 ms ticks.

    ``push(values)`` takes ``(frames, width)`` and returns ``(ticks, width)``: the sums of the ticks that the block
    completes. A tick that touches lost frames is NaN in every column.
    """

    _combine: np.ufunc = np.add

    def __init__(self, rate_hz: int, width: int) -> None:
        self._rate_hz = rate_hz
        self._width = width
        self.reset()

    def reset(self) -> None:
        """Forget the signal and start at frame 0."""
        self._frame = 0
        self._tick = 0
        self._partial = np.zeros(self._width)

    def start_at(self, frame: int) -> None:
        """Continue at a frame of an earlier stream, without its sums."""
        self.reset()
        self._frame = frame
        self._tick = -(-(frame + 1) * TICKS_PER_SECOND // self._rate_hz) - 1

    @property
    def rate_hz(self) -> int:
        """Frames a second."""
        return self._rate_hz

    @property
    def ticks(self) -> int:
        """Ticks completed so far, lost ones included."""
        return self._tick

    @property
    def frames_to_edge(self) -> int:
        """Frames that complete the open tick; 0 at an edge."""
        return -(-self._frame * TICKS_PER_SECOND // self._rate_hz) * self._rate_hz // TICKS_PER_SECOND - self._frame

    def push(self, values: FloatArray) -> FloatArray:
        """Sums of the ticks that end in this block, shape ``(ticks, width)``; may be empty."""
        edges = self._edges_within(len(values))
        self._frame += len(values)
        if not len(edges):
            self._partial = self._combine(self._partial, self._whole(values))
            return np.empty((0, self._width))
        sums = self._between(values, edges)
        sums[0] = self._combine(sums[0], self._partial)
        self._partial = self._whole(values[edges[-1] :]) if edges[-1] < len(values) else np.zeros(self._width)
        self._tick += len(edges)
        return sums

    def take(self, sums: FloatArray) -> FloatArray:
        """Count ticks that are already summed, ``(ticks, width)``, from an edge on; returns them."""
        self._tick += len(sums)
        self._frame = tick_edge(self._tick, self._rate_hz)
        return sums

    def skip(self, frames: int) -> FloatArray:
        """Account for ``frames`` lost frames; returns the ticks they complete, all NaN."""
        if frames <= 0:
            return np.empty((0, self._width))
        edges = self._edges_within(frames)
        self._frame += frames
        self._tick += len(edges)
        ends_on_an_edge = len(edges) > 0 and edges[-1] == frames
        self._partial = np.zeros(self._width) if ends_on_an_edge else np.full(self._width, np.nan)
        return np.full((len(edges), self._width), np.nan)

    def leap(self, seconds: int) -> None:
        """Account for so many whole seconds of lost frames within a gap, without their ticks, which are all NaN."""
        self._frame += seconds * self._rate_hz
        self._tick += seconds * TICKS_PER_SECOND

    def _edges_within(self, frames: int) -> Sequence[int]:
        """Ends of ticks inside the next ``frames`` frames, as offsets from 1 to ``frames``."""
        last = -(-(self._frame + frames + 1) * TICKS_PER_SECOND // self._rate_hz) - 1
        if self._rate_hz % TICKS_PER_SECOND == 0:
            width = self._rate_hz // TICKS_PER_SECOND
            return range((self._tick + 1) * width - self._frame, last * width - self._frame + 1, width)
        return [tick_edge(tick, self._rate_hz) - self._frame for tick in range(self._tick + 1, last + 1)]

    def _whole(self, values: FloatArray) -> FloatArray:
        return np.asarray(self._combine.reduce(values, axis=0, initial=0.0))

    def _between(self, values: FloatArray, edges: Sequence[int]) -> FloatArray:
        first, last = edges[0], edges[-1]
        if isinstance(edges, range) and len(edges) > 1:
            if first == edges.step:
                return self._equal(values[:last], len(edges))
            body = self._equal(values[first:last], len(edges) - 1)
            return np.concatenate([self._whole(values[:first])[None], body])
        starts = np.array([0, *edges[:-1]])
        return np.asarray(self._combine.reduceat(values[: edges[-1]], starts, axis=0))

    def _equal(self, values: FloatArray, ticks: int) -> FloatArray:
        """Ticks of equal length, ``(ticks, width)``; columns laid out one after the other are read much faster."""
        lines = np.ascontiguousarray(values.T)
        return np.asarray(self._combine.reduce(lines.reshape(len(lines), ticks, -1), axis=2).T)


class TickMaxima(TickSums):
    """Highest value within each tick; values are 0 or more, such as magnitudes."""

    _combine = np.maximum

    def _between(self, values: FloatArray, edges: Sequence[int]) -> FloatArray:
        if self._width < MANY_COLUMNS:
            return super()._between(values, edges)
        # Rows this wide are compared at the speed of memory.
        return np.asarray(np.maximum.reduceat(values[: edges[-1]], [0, *edges[:-1]], axis=0))


class TickEnergies(TickSums):
    """Sums of squares over each tick and all columns together, shape ``(ticks, 1)``."""

    def __init__(self, rate_hz: int) -> None:
        super().__init__(rate_hz, 1)

    def _whole(self, values: FloatArray) -> FloatArray:
        flat = values.reshape(-1)
        return np.atleast_1d(np.vecdot(flat, flat))

    def _between(self, values: FloatArray, edges: Sequence[int]) -> FloatArray:
        starts = [0, *edges[:-1]]
        width = edges[-1] - starts[-1]
        if len(edges) == 1 or edges[-1] - edges[0] != (len(edges) - 1) * width:
            return np.array([self._whole(values[start:end]) for start, end in zip(starts, edges, strict=True)])
        body = values[edges[0] : edges[-1]].reshape(len(edges) - 1, -1)
        return np.concatenate([self._whole(values[: edges[0]])[None], np.vecdot(body, body)[:, None]])


class RollingSum:
    """Sum over the last ``ticks`` ticks after each new tick, summed in full, so rounding does not accumulate.

    ``push((n, width))`` returns ``(n, width)``. NaN until the window has filled, and while it holds a gap.
    """

    def __init__(self, ticks: int, width: int) -> None:
        self._ticks = ticks
        self._width = width
        self.reset()

    def reset(self) -> None:
        """Empty the window."""
        self._history = np.full((self._ticks - 1, self._width), np.nan)

    def push(self, sums: FloatArray) -> FloatArray:
        """Window sums at the end of each of the given ticks, shape as given."""
        if not len(sums):
            return sums
        joined = np.concatenate([self._history, sums])
        self._history = joined[len(joined) - (self._ticks - 1) :].copy()
        if len(sums) == 1:
            return np.asarray(joined.sum(axis=0, keepdims=True))
        if self._width == 1:
            return np.convolve(joined[:, 0], np.ones(self._ticks), "valid")[:, None]
        return np.asarray(sliding_window_view(joined, self._ticks, axis=0).sum(axis=-1))
