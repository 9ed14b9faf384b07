"""Readings of a peak meter: falling, held and highest peaks, overs, and clipped runs.

Peaks come in cells of about 10 ms from ``peak_cells``; falling and held values move by cells. Peaks are amplitudes
inside and dBFS or dBTP when read: minus infinity is silence, NaN is "no sound yet".
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from dsp.core.saved_state import SavedState, inside, of
from dsp.core.types import FloatArray, Spec
from dsp.core.units import amplitude_to_db, db_to_amplitude
from dsp.peak.clipped_runs import FULL_SCALE, ClippedRuns
from dsp.peak.incidents import Incidents
from dsp.peak.peak_cells import SAMPLE, TRUE, PeakCells

FALL_DB = 20.0
FALL_SECONDS = 1.7
"""Return of a programme level meter: 20 dB in 1.7 s (IEC 60268-18 for digital peak meters, from memory; the same
as type I of IEC 60268-10)."""

OVER_DBTP = 0.05
"""A true peak is an over from +0.05 dBTP, the first that reads +0.1: the interpolator may read that much high."""

RECENT_SECONDS = 3.0
"""As long as short-term loudness looks back, so that the two can be compared (EBU Tech 3341, 2.2)."""

USUAL_SECONDS = 10.0
"""As long as the usual loud level looks back, so that the two give the headroom gap (common practice, no source)."""

LATEST_SECONDS = 0.2
"""The peaks of a second are found by reading these at least this often."""

JUST_NOW = np.ones(1)
"""Share of a peak that a falling display has left at its own moment."""


class PeakMeter:
    """Peaks of one feed. Properties are ``(channels,)`` arrays or one number.

    ``hold_seconds`` is the hold time of true peaks: the held value is the highest of that time.
    """

    def __init__(self, spec: Spec, hold_seconds: float) -> None:
        self._spec = spec
        self._over = db_to_amplitude(OVER_DBTP)
        self._cells = PeakCells(spec.rate_hz, spec.channels, self._over)
        self._fall_per_frame = db_to_amplitude(-FALL_DB / FALL_SECONDS / spec.rate_hz)
        self._held = np.zeros((spec.channels, 1))
        self._hold_cells = 1
        self._recent_cells = round(RECENT_SECONDS * spec.rate_hz / self._cells.cell_frames)
        self._usual_cells = round(USUAL_SECONDS * spec.rate_hz / self._cells.cell_frames)
        self._latest_cells = math.ceil(LATEST_SECONDS * spec.rate_hz / self._cells.cell_frames)
        self._sampled = np.full((self._latest_cells, spec.channels), math.nan)
        self._runs = ClippedRuns(spec.channels)
        self.over_places, self.clip_places = Incidents(), Incidents()
        self.reset()
        self.hold(hold_seconds)

    def reset(self) -> None:
        """Forget the signal, keep the hold time."""
        shape = (2, self._spec.channels)
        self._cells.reset()
        self._started = False
        self._held_cells = self._usual_cells
        self._falling = np.zeros(shape)
        self._highest = np.zeros(shape)
        self._highest_marked: FloatArray | None = None
        self._counted_before = 0, 0
        self._frame = 0
        self.over_places.clear()
        self.clip_places.clear()
        self._held[:] = 0.0
        self._sampled[:] = math.nan
        self._gap_frames = 0
        self._overs = 0
        self._was_over = False
        self._runs.reset()

    def mark(self) -> None:
        """Restart what is counted since the mark, from the beginning of the open cell of 10 ms."""
        self._settle()
        self._highest_marked = np.zeros((2, self._spec.channels))
        self._counted_before = self.overs, self.clipped

    def hold(self, seconds: float) -> None:
        """Set the hold time; peaks that are held already stay."""
        self._settle()
        self._hold_cells = max(1, round(seconds * self._spec.rate_hz / self._cells.cell_frames))
        cells = max(self._hold_cells, self._recent_cells, self._usual_cells)
        kept = self._held[:, -cells:]
        self._held = np.concatenate([np.zeros((len(kept), cells - kept.shape[1])), kept], axis=1)

    def push(self, block: FloatArray) -> None:
        """Measure ``(frames, channels)``. Raises ValueError for another shape."""
        self._started = self._started or len(block) > 0
        for part in self._cells.parts(block):
            if not self._cells.has_room(part):
                self._settle()
            cells = self._cells.push(part)
            self._count_runs(part, cells)
            self._frame += len(part)
            if len(cells):
                self._fall(len(cells) * self._cells.cell_frames)
                self._take(cells, self._fallen(np.arange(len(cells) - 1, -1, -1)) if len(cells) > 1 else JUST_NOW)

    def skip(self, frames: int) -> None:
        """Account for ``frames`` lost frames: displays fall on, no value is computed across the gap."""
        if frames <= 0:
            return
        self._settle()
        if begun := self._cells.open_frames:
            self._fall(begun)
            self._take(self._cells.open_cell()[None], JUST_NOW, is_open=True)
            self._gap_frames += begun - self._cells.cell_frames
        self._cells.reset()
        self._fall(frames)
        self._was_over = False
        self._runs.interrupt()
        self._frame += frames
        self._gap_frames += frames
        cells = max(0, self._gap_frames // self._cells.cell_frames)
        self._gap_frames -= cells * self._cells.cell_frames
        self._hold(np.zeros((min(cells, self._held.shape[1]), 2, self._spec.channels)))
        self._sampled[max(0, self._latest_cells - cells) :] = math.nan

    def save_state(self) -> SavedState:
        """Highest peaks, overs and clipped runs since the start and since the mark."""
        self._settle()
        begun = self._cells.open_cell()
        marked = self._highest_marked
        return {
            "heard": self._started,
            "frame": self._frame,
            "highest": np.maximum(self._highest, begun),
            "overs": self.overs,
            "clipped": self.clipped,
            **({} if marked is None else {"marked": np.maximum(marked, begun), "before": self._counted_before}),
            **inside("over_places", self.over_places.save_state()),
            **inside("clip_places", self.clip_places.save_state()),
        }

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned; held and falling values start empty."""
        self.reset()
        self._held_cells = 0
        self._started = bool(kept["heard"])
        self._highest[:] = kept["highest"]
        self._overs = int(kept["overs"])
        self._runs.count = int(kept["clipped"])
        self._frame = int(kept["frame"])
        if "marked" in kept:
            self._highest_marked = np.array(kept["marked"])
            self._counted_before = int(kept["before"][0]), int(kept["before"][1])
        self.over_places.restore_state(of("over_places", kept))
        self.clip_places.restore_state(of("clip_places", kept))

    @property
    def sample(self) -> FloatArray:
        """Sample peak now in dBFS, each channel."""
        return self._now(SAMPLE)

    @property
    def true(self) -> FloatArray:
        """True peak now in dBTP, each channel."""
        return self._now(TRUE)

    @property
    def true_hold(self) -> FloatArray:
        """Highest true peak of the hold time in dBTP, each channel."""
        self._settle()
        return self._level(np.maximum(self._held_for(self._hold_cells), self._cells.open_cell()[TRUE]))

    @property
    def true_recent(self) -> float:
        """Highest true peak of the last ``RECENT_SECONDS`` in dBTP, all channels."""
        return self._highest_of(self._recent_cells)

    @property
    def true_10s(self) -> float:
        """Highest true peak of the last ``USUAL_SECONDS`` in dBTP, all channels; NaN as long after a restart."""
        return self._highest_of(self._usual_cells) if self._held_cells >= self._usual_cells else math.nan

    @property
    def latest(self) -> tuple[float, float]:
        """Highest sample peak in dBFS and true peak in dBTP of the last ``LATEST_SECONDS``, all channels.

        NaN where all of it was lost.
        """
        sample = float(np.fmax.reduce(self._sampled, axis=None))
        if math.isnan(sample) and not self._cells.open_frames:
            return math.nan, math.nan
        sample = max(0.0 if math.isnan(sample) else sample, float(self._cells.open_cell()[SAMPLE].max()))
        return amplitude_to_db(sample), self._highest_of(self._latest_cells)

    @property
    def true_max_each(self) -> FloatArray:
        """Highest true peak since the start in dBTP, each channel."""
        return self._level(self._most(TRUE))

    @property
    def true_max(self) -> float:
        """Highest true peak since the start in dBTP."""
        return float(self.true_max_each.max())

    @property
    def sample_max(self) -> float:
        """Highest sample peak since the start in dBFS."""
        return float(self._level(self._most(SAMPLE)).max())

    @property
    def overs(self) -> int:
        """How often the true peak of any channel exceeded 0 dBTP; those within 10 ms count as one."""
        return self._overs + int(self._is_over(self._cells.open_cell()) and not self._was_over)

    @property
    def clipped(self) -> int:
        """Clipped runs since the start, all channels added."""
        return self._runs.count

    @property
    def since_mark(self) -> tuple[float, float, int, int]:
        """Highest sample peak in dBFS, highest true peak in dBTP, overs and clipped runs since the mark."""
        self._settle()
        marked = self._highest if self._highest_marked is None else self._highest_marked
        sample, true = self._level(np.maximum(marked, self._cells.open_cell()).max(axis=1))
        overs, clipped = self._counted_before
        return float(sample), float(true), self.overs - overs, self.clipped - clipped

    def levels(self) -> FloatArray:
        """``sample``, ``true``, ``true_hold``, ``true_max_each``, and the highest sample peaks of each channel.

        ``(5, channels)``, faster than one after the other.
        """
        self._settle()
        begun = self._cells.open_cell()
        peaks = np.empty((5, self._spec.channels))
        np.maximum(self._falling, begun, out=peaks[:2])
        np.maximum(self._held_for(self._hold_cells), begun[TRUE], out=peaks[2])
        np.maximum(self._highest[TRUE], begun[TRUE], out=peaks[3])
        np.maximum(self._highest[SAMPLE], begun[SAMPLE], out=peaks[4])
        return self._level(peaks)

    def _highest_of(self, cells: int) -> float:
        self._settle()
        return float(self._level(np.maximum(self._held_for(cells), self._cells.open_cell()[TRUE])).max())

    def _held_for(self, cells: int) -> FloatArray:
        """Highest true peaks of so many whole cells, ``(channels,)`` amplitudes."""
        return np.asarray(self._held[:, -cells:].max(axis=1))

    def _now(self, kind: int) -> FloatArray:
        self._settle()
        return self._level(np.maximum(self._falling, self._cells.open_cell())[kind])

    def _most(self, kind: int) -> FloatArray:
        self._settle()
        return np.asarray(np.maximum(self._highest, self._cells.open_cell())[kind])

    def _level(self, amplitudes: FloatArray) -> FloatArray:
        return amplitude_to_db(amplitudes) if self._started else np.full(amplitudes.shape, math.nan)

    def _is_over(self, peaks: FloatArray) -> bool:
        return bool(peaks[TRUE].max() > self._over)

    def _count_runs(self, part: FloatArray, cells: FloatArray) -> None:
        """Count clipped runs in ``part``, which completed ``cells``, if any sample is at full scale."""
        begun = self._cells.open_frames
        full = len(cells) > 0 and cells[:, SAMPLE].max() >= FULL_SCALE
        if not full and begun and len(part):
            rest = part[-begun:]
            full = bool(max(rest.max(), -rest.min()) >= FULL_SCALE)
        if full:
            frame, channel = self._runs.push(part).T
            self.clip_places.add_equal((self._frame + frame) / self._spec.rate_hz, channel, 0.0)
        elif len(part):
            self._runs.interrupt()

    @property
    def _spans(self) -> tuple[FloatArray, ...]:
        """Highest peaks since the start, and since the mark if there is one."""
        return (self._highest,) if self._highest_marked is None else (self._highest, self._highest_marked)

    def _fall(self, frames: int) -> None:
        self._falling *= self._fall_per_frame**frames

    def _fallen(self, ages: NDArray[np.intp]) -> FloatArray:
        """Shares that a falling display has left of peaks ``ages`` cells old."""
        return np.asarray(self._fall_per_frame ** (ages * float(self._cells.cell_frames)))

    def _settle(self) -> None:
        """Count the true peaks that waited and may matter."""
        if not self._cells.waiting:
            return
        cell, channel, true = self._cells.settle(self._is_past)
        age = self._cells.cells - 1 - cell
        for highest in self._spans:
            np.maximum.at(highest[TRUE], channel, true)
        np.maximum.at(self._falling[TRUE], channel, true * self._fallen(age))
        held = age < self._held.shape[1]
        np.maximum.at(self._held, (channel[held], -1 - age[held]), true[held])

    def _is_past(
        self, cell: NDArray[np.intp], channel: NDArray[np.intp], bound: NDArray[np.float32]
    ) -> NDArray[np.bool_]:
        """True where a true peak up to ``bound`` is held no more and changes neither maximum nor falling value."""
        age = self._cells.cells - 1 - cell
        low = bound <= self._spans[-1][TRUE, channel]
        fallen = bound * self._fallen(age) <= self._falling[TRUE, channel]
        return np.asarray(low & fallen & (age >= self._held.shape[1]))

    def _take(self, cells: FloatArray, fallen: FloatArray, *, is_open: bool = False) -> None:
        """Count peaks ``(cells, 2, channels)``; ``fallen`` is what a falling display has left of each cell."""
        if len(cells) == 1:
            self._take_one(cells[0], 0 if is_open else 1)
            return
        np.maximum(self._falling, (cells * fallen[:, None, None]).max(axis=0), out=self._falling)
        for highest in self._spans:
            np.maximum(highest, cells.max(axis=0), out=highest)
        self._hold(cells)
        over = cells[:, TRUE].max(axis=1) > self._over
        begins = over & ~np.concatenate([[self._was_over], over[:-1]])
        self._overs += int(np.count_nonzero(begins))
        self._was_over = bool(over[-1])
        for index in np.flatnonzero(over):
            self._place_over(cells[index, TRUE], len(cells) - int(index), begins=bool(begins[index]))

    def _take_one(self, cell: FloatArray, cells_ago: int) -> None:
        """``_take`` for one new cell ``(2, channels)``, faster: the live case."""
        np.maximum(self._falling, cell, out=self._falling)
        for highest in self._spans:
            np.maximum(highest, cell, out=highest)
        self._hold(cell[None])
        over = self._is_over(cell)
        self._overs += int(over and not self._was_over)
        if over:
            self._place_over(cell[TRUE], cells_ago, begins=not self._was_over)
        self._was_over = over

    def _place_over(self, peaks: FloatArray, cells_ago: int, *, begins: bool) -> None:
        """Note an over in the cell that began so many cells before the open one."""
        channel = int(peaks.argmax())
        value = amplitude_to_db(float(peaks[channel]))
        if begins:
            frame = self._frame - self._cells.open_frames - cells_ago * self._cells.cell_frames
            self.over_places.add(max(0, frame) / self._spec.rate_hz, channel, value)
        else:
            self.over_places.raise_last(channel, value)

    def _hold(self, cells: FloatArray) -> None:
        """Append the peaks of ``(cells, 2, channels)`` to the held cells."""
        latest = min(len(cells), self._latest_cells)
        self._sampled[: self._latest_cells - latest] = self._sampled[latest:]
        self._sampled[self._latest_cells - latest :] = cells[len(cells) - latest :, SAMPLE]
        peaks = cells[:, TRUE]
        self._held_cells += len(peaks)
        count = min(len(peaks), self._held.shape[1])
        self._held[:, : self._held.shape[1] - count] = self._held[:, count:]
        self._held[:, self._held.shape[1] - count :] = peaks[len(peaks) - count :].T
