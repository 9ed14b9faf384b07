"""Follows the sound before and after a stage, lined up, and gives what is looked back at."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.fft import rfft, rfftfreq

from dsp.core.scipy_signal import hann
from dsp.core.types import FloatArray, Spec
from dsp.loudness.gating import LoudnessHistogram, integrated_loudness
from dsp.loudness.k_weighting import KWeighting
from dsp.peak.peak_meter import PeakMeter
from dsp.stage.transfer import CrossSpectra, SpectralSums, Transfer, transfer_of

STEPS_PER_SECOND = 1000
STEPS_PER_TICK = 10
BAND_EDGES_HZ = (
    *(25.0 + 50.0 * np.arange(-1, 13)), 710.0, 890.0, 1120.0, 1410.0, 1780.0, 2240.0, 2820.0, 3550.0, 4470.0, 5620.0,
    7080.0, 8910.0, 11_200.0, 14_100.0,
)  # fmt: skip
"""Bins of 50 Hz, then third octaves; the last band reaches to half the rate."""
OCTAVE_STARTS = (0, 4, 7, 14, 17, 20, 23, 26)
"""Bands at which octaves begin: 0, 175, 325, 710, 1410, 2820, 5620 Hz and 11.2 kHz."""
HOLD_SECONDS = 1.0
GATING_TICKS, GATING_HOP = 40, 10
"""Blocks of 400 ms that overlap by 75 % (BS.1770-5 Annex 1)."""
PART_SECONDS = 2.5


@dataclass(frozen=True)
class Side:
    """One side over the whole stretch: loudness, true peak, and runs of samples at one extreme."""

    integrated_lufs: float
    true_peak_dbtp: float
    clipped_runs: int

    @property
    def peak_to_loudness_lu(self) -> float:
        """Highest true peak over integrated loudness."""
        return self.true_peak_dbtp - self.integrated_lufs


@dataclass(frozen=True)
class StageStretch:
    """What is known of both sides; index 0 of an array is before, 1 is after.

    ``steps`` ``(2, n)`` are mean squares of about a millisecond (``step_ms``), mean over channels. ``bands``
    ``(2, ticks, 28)`` are powers in ``BAND_EDGES_HZ`` every ten steps. ``k_energy`` ``(2,)`` are K-weighted mean
    squares (BS.1770-5), with all channels alike. ``transfer`` is None until there is enough. Steps and ticks at gaps
    are NaN.
    """

    seconds: float
    step_ms: float
    steps: FloatArray
    bands: FloatArray
    k_energy: FloatArray
    sides: tuple[Side, Side]
    transfer: Transfer | None


@dataclass(frozen=True)
class StagePart:
    """Some seconds of a stream. ``steps`` and ``bands`` as in ``StageStretch``.

    ``k_ticks`` ``(2, ticks)`` are K-weighted mean squares, all channels added, and ``tick`` the number of the first.
    ``peaks_dbtp`` and ``clipped`` are of each side.
    """

    frames: int
    tick: int
    steps: FloatArray
    bands: NDArray[np.floating]
    k_ticks: FloatArray
    peaks_dbtp: tuple[float, float]
    clipped: tuple[int, int]
    spectra: SpectralSums


class StageStream:
    """Takes blocks ``(frames, channels)`` of both sides, of one length and lined up to a frame.

    With ``seconds`` it keeps the newest parts that hold about so much sound, otherwise all; ``ended`` is called with
    each part that is whole.
    """

    def __init__(
        self, rate_hz: int, channels: int, seconds: float = 0.0, ended: Callable[[StagePart], None] = lambda _: None
    ) -> None:
        self.rate_hz, self._channels = rate_hz, channels
        self._step = max(1, round(rate_hz / STEPS_PER_SECOND))
        self.tick_frames = self._step * STEPS_PER_TICK
        self._ended = ended
        self._part_frames = round(PART_SECONDS * rate_hz) if seconds else 0
        self._parts: deque[StagePart] = deque(maxlen=max(1, round(seconds / PART_SECONDS)))
        self._k = KWeighting(rate_hz, 2 * channels)
        self._peaks = [PeakMeter(Spec(rate_hz, channels), HOLD_SECONDS) for _ in range(2)]
        self._spectra = CrossSpectra(rate_hz, channels)
        self._taper = hann(2 * self.tick_frames, sym=False).astype(np.float32)
        edges = np.searchsorted(rfftfreq(2 * self.tick_frames, 1.0 / rate_hz), BAND_EDGES_HZ)
        self._edges = np.minimum(edges, self.tick_frames)
        self._tick = self.pushed_frames = 0
        self._begin_part()
        self._forget_waiting()

    def _begin_part(self) -> None:
        self._frames, self._first_tick = 0, self._tick
        self._steps: list[FloatArray] = [np.empty((2, 0))]
        self._bands: list[NDArray[np.floating]] = [np.empty((2, 0, len(BAND_EDGES_HZ)), dtype=np.float32)]
        self._k_ticks: list[FloatArray] = [np.empty((2, 0))]

    def _forget_waiting(self) -> None:
        """``(2 * channels, frames)`` sound and ``(2, frames)`` K-weighted squares of ticks that are not whole."""
        self._waiting = np.empty((2 * self._channels, 0))
        self._k_waiting = np.empty((2, 0))

    def push(self, before: FloatArray, after: FloatArray) -> None:
        """Take a block of both. Raises ValueError for unequal shapes."""
        if before.shape != after.shape:
            raise ValueError(f"Blocks of {before.shape} and {after.shape} do not belong together.")
        pair = np.concatenate([before, after], axis=1)
        for side, sound in zip(self._peaks, (before, after), strict=True):
            side.push(sound)
        weighted = np.square(self._k.process(pair)).T
        squares = weighted.reshape(2, self._channels, -1).sum(axis=1)
        self._k_waiting = np.concatenate([self._k_waiting, squares], axis=1)
        self._waiting = np.concatenate([self._waiting, pair.T], axis=1)
        self._spectra.push(before, after)
        self._frames += len(before)
        self.pushed_frames += len(before)
        self._take_k_ticks()
        self._take_ticks()
        if self._part_frames and self._frames >= self._part_frames:
            self._end_part()

    def _end_part(self) -> None:
        self._parts.append(self._part(self._spectra.take()))
        for side in self._peaks:
            side.mark()
        self._begin_part()
        self._ended(self._parts[-1])

    def cut(self) -> None:
        """What comes next does not follow on: another place, or a gap."""
        self._k.reset()
        for side in self._peaks:
            side.skip(1)
        self._spectra.cut()
        self._forget_waiting()
        self._steps.append(np.full((2, STEPS_PER_TICK), np.nan))
        self._bands.append(np.full((2, 1, len(BAND_EDGES_HZ)), np.nan, dtype=np.float32))
        self._k_ticks.append(np.full((2, 1), np.nan))
        self._tick += 1

    def _take_k_ticks(self) -> None:
        ticks = self._k_waiting.shape[1] // self.tick_frames
        frames = ticks * self.tick_frames
        self._k_ticks.append(self._k_waiting[:, :frames].reshape(2, ticks, self.tick_frames).mean(axis=2))
        self._k_waiting = self._k_waiting[:, frames:].copy()
        self._tick += ticks

    def _take_ticks(self) -> None:
        """Every whole tick that has a tick after it: bands are read over both."""
        ticks = self._waiting.shape[1] // self.tick_frames - 1
        if ticks < 1:
            return
        frames, width = ticks * self.tick_frames, 2 * self.tick_frames
        sound = self._waiting[:, :frames].reshape(2, self._channels, frames)
        power = np.einsum("scf,scf->sf", sound, sound) / self._channels
        self._steps.append(power.reshape(2, -1, self._step).mean(axis=2))
        single = self._waiting[:, : frames + self.tick_frames].astype(np.float32)
        windows = sliding_window_view(single, width, axis=1)[:, :: self.tick_frames]
        # Real and imaginary parts side by side: a band's power is the sum of their squares.
        lines = rfft(windows * self._taper, axis=2).view(np.float32)
        sums = np.add.reduceat(np.square(lines, out=lines), 2 * self._edges[self._edges <= self.tick_frames], axis=2)
        padded = np.zeros((2, ticks, len(BAND_EDGES_HZ)), dtype=np.float32)
        padded[:, :, : sums.shape[2]] = sums.reshape(2, self._channels, ticks, -1).sum(axis=1)
        self._bands.append(padded)
        self._waiting = self._waiting[:, frames:].copy()

    def _part(self, spectra: SpectralSums) -> StagePart:
        figures = [side.since_mark for side in self._peaks]
        return StagePart(
            self._frames,
            self._first_tick,
            np.concatenate(self._steps, axis=1),
            np.concatenate(self._bands, axis=1),
            np.concatenate(self._k_ticks, axis=1),
            (figures[0][1], figures[1][1]),
            (figures[0][3], figures[1][3]),
            spectra,
        )

    @property
    def step_ms(self) -> float:
        """Length of a step."""
        return 1000.0 * self._step / self.rate_hz

    @property
    def next_tick(self) -> int:
        """Number of the tick in which the next frame is."""
        return self._tick

    @property
    def kept_frames(self) -> int:
        """Frames in all parts that are kept."""
        return self._frames + sum(part.frames for part in self._parts)

    def parts(self) -> list[StagePart]:
        """What is kept, oldest first; the last part is still growing."""
        return [*self._parts, self._part(self._spectra.sums)]

    def stretch(self) -> StageStretch:
        """All that is kept."""
        return joined(self.parts(), self.rate_hz, self.step_ms)


def joined(parts: Sequence[StagePart], rate_hz: int, step_ms: float) -> StageStretch:
    """The stretch of parts that follow on."""
    k_ticks = np.concatenate([part.k_ticks for part in parts], axis=1)
    known = k_ticks[:, np.isfinite(k_ticks[0])]
    before, after = (
        Side(
            _integrated(k_ticks[side]),
            max(part.peaks_dbtp[side] for part in parts),
            sum(part.clipped[side] for part in parts),
        )
        for side in range(2)
    )
    return StageStretch(
        seconds=sum(part.frames for part in parts) / rate_hz,
        step_ms=step_ms,
        steps=np.concatenate([part.steps for part in parts], axis=1),
        bands=np.concatenate([part.bands for part in parts], axis=1),
        k_energy=known.mean(axis=1) if known.shape[1] else np.zeros(2),
        sides=(before, after),
        transfer=transfer_of([part.spectra for part in parts]),
    )


def _integrated(k_ticks: FloatArray) -> float:
    """Gated loudness in LUFS of ticks ``(ticks,)``; NaN without a whole block above the gate."""
    if len(k_ticks) < GATING_TICKS:
        return float("nan")
    blocks = LoudnessHistogram()
    blocks.add(sliding_window_view(k_ticks, GATING_TICKS)[::GATING_HOP].mean(axis=1))
    return integrated_loudness(blocks)
