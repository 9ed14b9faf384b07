"""Follows the sound before and after a stage, lined up, and gives what is looked back at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft, rfftfreq
from scipy.signal.windows import hann

from dsp.core.types import FloatArray, Spec
from dsp.loudness.k_weighting import KWeighting
from dsp.loudness.loudness import LoudnessMeter
from dsp.peak.peak_meter import PeakMeter
from dsp.stage.transfer import CrossSpectra, Transfer

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


class StageStream:
    """Takes blocks ``(frames, channels)`` of both sides, of one length and lined up to a frame."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz, self._channels = rate_hz, channels
        self._step = max(1, round(rate_hz / STEPS_PER_SECOND))
        self._tick = self._step * STEPS_PER_TICK
        self._waiting = np.empty((2, 0, channels))
        self._steps: list[FloatArray] = []
        self._bands: list[NDArray[np.floating]] = []
        self._k = [KWeighting(rate_hz, channels) for _ in range(2)]
        self._k_sums = np.zeros(2)
        self._frames = 0
        self._loudness = [LoudnessMeter(Spec(rate_hz, channels), (1.0,) * channels) for _ in range(2)]
        self._peaks = [PeakMeter(Spec(rate_hz, channels), HOLD_SECONDS) for _ in range(2)]
        self._spectra = CrossSpectra(rate_hz, channels)
        self._taper = hann(2 * self._tick, sym=False)[:, None]
        edges = np.searchsorted(rfftfreq(2 * self._tick, 1.0 / rate_hz), BAND_EDGES_HZ)
        self._edges = np.minimum(edges, self._tick)

    def push(self, before: FloatArray, after: FloatArray) -> None:
        """Take a block of both. Raises ValueError for unequal shapes."""
        if before.shape != after.shape:
            raise ValueError(f"Blocks of {before.shape} and {after.shape} do not belong together.")
        pair = np.stack([before, after])
        for side, sound in enumerate(pair):
            weighted = self._k[side].process(sound)
            self._k_sums[side] += float(np.vdot(weighted, weighted))
            self._loudness[side].push(sound)
            self._peaks[side].push(sound)
        self._frames += len(before)
        self._spectra.push(before, after)
        self._waiting = np.concatenate([self._waiting, pair], axis=1)
        self._take_ticks()

    def cut(self) -> None:
        """What comes next does not follow on: another place, or a gap."""
        for side in range(2):
            self._k[side].reset()
            self._loudness[side].skip(1)
            self._peaks[side].skip(1)
        self._spectra.cut()
        self._waiting = self._waiting[:, :0]
        self._steps.append(np.full((2, STEPS_PER_TICK), np.nan))
        self._bands.append(np.full((2, 1, len(BAND_EDGES_HZ)), np.nan))

    def _take_ticks(self) -> None:
        """Every whole tick that has a tick after it: bands are read over both."""
        ticks = self._waiting.shape[1] // self._tick - 1
        if ticks < 1:
            return
        sound = self._waiting[:, : ticks * self._tick]
        power = np.einsum("sfc,sfc->sf", sound, sound) / self._channels
        self._steps.append(power.reshape(2, -1, self._step).mean(axis=2))
        frames = np.stack([self._waiting[:, n * self._tick : (n + 2) * self._tick] for n in range(ticks)], axis=1)
        transform = rfft(frames * self._taper, axis=2)
        spectrum = (transform.real**2 + transform.imag**2).sum(axis=3)
        sums = np.add.reduceat(spectrum, self._edges[self._edges < spectrum.shape[2]], axis=2)
        padded = np.zeros((2, ticks, len(BAND_EDGES_HZ)), dtype=np.float32)
        padded[:, :, : sums.shape[2]] = sums
        self._bands.append(padded)
        self._waiting = self._waiting[:, ticks * self._tick :].copy()

    def stretch(self) -> StageStretch:
        """All so far."""
        empty_steps, empty_bands = np.empty((2, 0)), np.empty((2, 0, len(BAND_EDGES_HZ)))
        before, after = (
            Side(loudness.integrated, peaks.true_max, peaks.clipped)
            for loudness, peaks in zip(self._loudness, self._peaks, strict=True)
        )
        return StageStretch(
            seconds=self._frames / self._rate_hz,
            step_ms=1000.0 * self._step / self._rate_hz,
            steps=np.concatenate([empty_steps, *self._steps], axis=1),
            bands=np.concatenate([empty_bands, *self._bands], axis=1),
            k_energy=self._k_sums / max(1, self._frames),
            sides=(before, after),
            transfer=self._spectra.transfer(),
        )
