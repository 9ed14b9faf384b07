"""The linear part of a stage, from cross-spectra (Welch's method), and what is not explained by it.

The response is the cross-spectrum over the spectrum before; coherence is the share of the power after that is a
linear copy. What is left is called *added*: distortion, noise, wow and gain movement all count, so it is not
"harmonics". Sources: cross-spectrum and coherence as in Bendat and Piersol, "Random Data" (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft, rfftfreq
from scipy.signal.windows import hann

from dsp.core.types import FloatArray
from dsp.core.units import power_to_db

BLOCK_SECONDS = 0.68
"""Bins of about 1.5 Hz."""
STEPS_PER_OCTAVE = 12
LOWEST_HZ, HIGHEST_HZ = 20.0, 20_000.0
LOWS_HZ, MIDDLE_HZ, TOP_HZ = (20.0, 120.0), (200.0, 2000.0), (4000.0, 12_000.0)
SURE_COHERENCE = 0.9
"""Below this the response at a frequency is not drawn (judgement)."""
LEAST_BLOCKS = 4
SILENCE_POWER = 1e-12


@dataclass(frozen=True)
class Transfer:
    """``response_db`` and ``coherence`` at ``hz``, twelfths of an octave; NaN where the sound before has nothing.

    ``lows_db`` and ``tilt_db`` are the mean response in 20 to 120 Hz and in 4 to 12 kHz, each less that in 200 Hz to
    2 kHz. ``low_change_db`` is the change of power in 20 to 120 Hz. ``added_db`` is the power that no linear copy
    explains, re all power after; minus infinity for none. ``low_shares`` are the shares of 20 to 120 Hz in the power
    before and after, 0 to 1. ``before_power`` is the power before in each twelfth, of no set scale.
    """

    hz: FloatArray
    response_db: FloatArray
    coherence: FloatArray
    lows_db: float
    tilt_db: float
    low_change_db: float
    added_db: float
    low_shares: tuple[float, float]
    before_power: FloatArray


class CrossSpectra:
    """Sums of spectra of both sides, in blocks that overlap by half; of any number of channels."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._size = next_fast_len(round(BLOCK_SECONDS * rate_hz), real=True)
        self._taper = hann(self._size, sym=False)
        self._waiting = np.empty((2, 0, channels))
        self._hz = rfftfreq(self._size, 1.0 / rate_hz)
        bins = len(self._hz)
        self._before, self._after = np.zeros((channels, bins)), np.zeros((channels, bins))
        self._cross = np.zeros((channels, bins), dtype=complex)
        self.blocks = 0

    def push(self, before: FloatArray, after: FloatArray) -> None:
        """Take ``(frames, channels)`` of both, lined up to a frame."""
        self._waiting = np.concatenate([self._waiting, np.stack([before, after])], axis=1)
        start = 0
        while start + self._size <= self._waiting.shape[1]:
            self._add(self._waiting[:, start : start + self._size])
            start += self._size // 2
        self._waiting = self._waiting[:, start:].copy()

    def cut(self) -> None:
        """What comes next does not follow on what came last."""
        self._waiting = self._waiting[:, :0]

    def _add(self, pair: FloatArray) -> None:
        if float((pair[0] ** 2).mean()) < SILENCE_POWER:
            return
        first, second = rfft(pair.transpose(0, 2, 1) * self._taper, axis=2)
        self._before += np.abs(first) ** 2
        self._after += np.abs(second) ** 2
        self._cross += np.conj(first) * second
        self.blocks += 1

    def transfer(self) -> Transfer | None:
        """The linear part, None before four blocks with sound."""
        if self.blocks < LEAST_BLOCKS:
            return None
        # Each channel by itself: opposite polarity in one would cancel the other.
        explained = np.abs(self._cross) ** 2 / np.maximum(self._before, np.finfo(float).tiny)
        before, after = self._before.sum(axis=0), self._after.sum(axis=0)
        cross, copied = np.abs(self._cross).sum(axis=0), explained.sum(axis=0)
        heard = self._hz >= LOWEST_HZ
        added = max(0.0, float((after - copied)[heard].sum()))
        hz, edges = _twelfths(self._hz[-1])
        sums = [_sums(values, self._hz, edges) for values in (before, after, cross, copied)]
        with np.errstate(divide="ignore", invalid="ignore"):
            response_db = 20.0 * np.log10(sums[2] / sums[0])
            coherence = np.clip(sums[3] / sums[1], 0.0, 1.0)
        lows, middle, top = (_mean_db(hz, response_db, coherence, band) for band in (LOWS_HZ, MIDDLE_HZ, TOP_HZ))
        low = (self._hz >= LOWS_HZ[0]) & (self._hz < LOWS_HZ[1])
        return Transfer(
            hz, response_db, coherence, lows - middle, top - middle,
            _change_db(float(before[low].sum()), float(after[low].sum())),
            power_to_db(added / max(float(after[heard].sum()), np.finfo(float).tiny)),
            (_share(before, low, heard), _share(after, low, heard)), sums[0],
        )  # fmt: skip


def _change_db(before: float, after: float) -> float:
    return power_to_db(after / before) if before > 0.0 else float("nan")


def _share(power: FloatArray, part: NDArray[np.bool_], whole: NDArray[np.bool_]) -> float:
    total = float(power[whole].sum())
    return float(power[part].sum()) / total if total > 0.0 else float("nan")


def _twelfths(highest_hz: float) -> tuple[FloatArray, FloatArray]:
    """Centres from 20 Hz to 20 kHz or half the rate, and their edges, one more."""
    steps = int(STEPS_PER_OCTAVE * np.log2(min(HIGHEST_HZ, highest_hz) / LOWEST_HZ))
    exponents = np.arange(steps + 2) - 0.5
    edges = LOWEST_HZ * 2.0 ** (exponents / STEPS_PER_OCTAVE)
    return LOWEST_HZ * 2.0 ** (np.arange(steps + 1) / STEPS_PER_OCTAVE), edges


def _sums(values: FloatArray, hz: FloatArray, edges: FloatArray) -> FloatArray:
    """Sums of the bins between two edges; the nearest bin where none lies between them."""
    places = np.searchsorted(hz, edges)
    total = np.concatenate([[0.0], np.cumsum(values)])
    sums = total[places[1:]] - total[places[:-1]]
    empty = places[1:] == places[:-1]
    nearest = np.clip(np.round(np.sqrt(edges[1:] * edges[:-1]) / hz[1]).astype(int), 0, len(values) - 1)
    return np.asarray(np.where(empty, values[nearest], sums))


def _mean_db(hz: FloatArray, response_db: FloatArray, coherence: FloatArray, band: tuple[float, float]) -> float:
    """Mean over the twelfths of a band whose response is sure; NaN without one."""
    inside = (hz >= band[0]) & (hz < band[1]) & (coherence >= SURE_COHERENCE) & np.isfinite(response_db)
    return float(response_db[inside].mean()) if inside.any() else float("nan")
