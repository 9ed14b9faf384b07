"""The linear part of a stage, from cross-spectra (Welch's method), and what is not explained by it.

The response is the cross-spectrum over the spectrum before; coherence is the share of the power after that is a
linear copy. What is left is called *added*: distortion, noise, wow and gain movement all count, so it is not
"harmonics". Sources: cross-spectrum and coherence as in Bendat and Piersol, "Random Data" (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft, rfftfreq

from dsp.core.scipy_signal import hann
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
NEAR_BINS = 2
"""Bins on either side over which a response is taken for smooth."""
LEAST_OF_SMEARED = 0.5
"""Less than this share of what is smeared cannot be told from it (judgement)."""
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


@dataclass(frozen=True)
class SpectralSums:
    """Sums over ``blocks`` of spectra of both sides, ``(channels, bins)``, at ``hz`` ``(bins,)``.

    ``lows`` ``(blocks, 2)`` are the powers of both sides in 20 to 120 Hz, and ``starts`` ``(blocks,)`` the first
    frame of each block in the stream.
    """

    hz: FloatArray
    blocks: int
    before: FloatArray
    after: FloatArray
    cross: NDArray[np.complex128]
    lows: FloatArray
    starts: NDArray[np.int64]


class CrossSpectra:
    """Spectra of both sides, in blocks that overlap by half; of any number of channels."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._size = next_fast_len(round(BLOCK_SECONDS * rate_hz), real=True)
        self._taper = hann(self._size, sym=False).astype(np.float32)
        self._waiting = np.empty((2, channels, 0), dtype=np.float32)
        self._hz = rfftfreq(self._size, 1.0 / rate_hz)
        self._low = slice(*np.searchsorted(self._hz, LOWS_HZ))
        self._shape = (channels, len(self._hz))
        self._place = 0
        self._forget()

    def _forget(self) -> None:
        self._before, self._after = np.zeros(self._shape), np.zeros(self._shape)
        self._cross = np.zeros(self._shape, dtype=complex)
        self._lows: list[tuple[float, float]] = []
        self._starts: list[int] = []

    @property
    def blocks(self) -> int:
        """Blocks with sound so far, since ``take``."""
        return len(self._lows)

    def push(self, before: FloatArray, after: FloatArray) -> None:
        """Take ``(frames, channels)`` of both, lined up to a frame."""
        pair = np.array([before.T, after.T], dtype=np.float32)
        self._waiting = np.concatenate([self._waiting, pair], axis=2)
        start = 0
        while start + self._size <= self._waiting.shape[2]:
            self._add(self._waiting[:, :, start : start + self._size], self._place + start)
            start += self._size // 2
        self._waiting = self._waiting[:, :, start:].copy()
        self._place += start

    def cut(self) -> None:
        """What comes next does not follow on what came last."""
        self._place += self._waiting.shape[2]
        self._waiting = self._waiting[:, :, :0]

    def _add(self, pair: NDArray[np.float32], start: int) -> None:
        if float(np.square(pair[0]).mean()) < SILENCE_POWER:
            return
        # Single precision lies 130 dB under the sound; the sums need double, or rounding would pass for sound added.
        first, second = rfft(pair * self._taper, axis=2).astype(np.complex128)
        before, after = first.real**2 + first.imag**2, second.real**2 + second.imag**2
        self._before += before
        self._after += after
        self._cross += np.conj(first, out=first) * second
        self._lows.append((float(before[:, self._low].sum()), float(after[:, self._low].sum())))
        self._starts.append(start)

    @property
    def sums(self) -> SpectralSums:
        """The sums so far; their arrays go on growing."""
        lows, starts = np.array(self._lows).reshape(-1, 2), np.array(self._starts, dtype=np.int64)
        return SpectralSums(self._hz, self.blocks, self._before, self._after, self._cross, lows, starts)

    def take(self) -> SpectralSums:
        """The sums so far, which nothing changes afterwards; new ones begin."""
        taken = self.sums
        self._forget()
        return taken

    def transfer(self) -> Transfer | None:
        """The linear part, None before four blocks with sound."""
        return transfer_of([self.sums])


def transfer_of(sums: Sequence[SpectralSums]) -> Transfer | None:
    """The linear part over all of these sums, None before four blocks with sound."""
    if sum(each.blocks for each in sums) < LEAST_BLOCKS:
        return None
    all_before = np.asarray(sum(each.before for each in sums))
    all_after = np.asarray(sum(each.after for each in sums))
    all_cross, frequencies = np.asarray(sum(each.cross for each in sums)), sums[0].hz
    # Each channel by itself: opposite polarity in one would cancel the other.
    explained = np.abs(all_cross) ** 2 / np.maximum(all_before, np.finfo(float).tiny)
    before, after = np.sum(all_before, axis=0), np.sum(all_after, axis=0)
    cross, copied = np.abs(all_cross).sum(axis=0), explained.sum(axis=0)
    heard = frequencies >= LOWEST_HZ
    added = _added(float((after - copied)[heard].sum()), float(_smeared(all_before, all_cross)[heard].sum()))
    hz, edges = _twelfths(frequencies[-1])
    banded = [_sums(values, frequencies, edges) for values in (before, after, cross, copied)]
    with np.errstate(divide="ignore", invalid="ignore"):
        response_db = 20.0 * np.log10(banded[2] / banded[0])
        coherence = np.clip(banded[3] / banded[1], 0.0, 1.0)
    lows, middle, top = (_mean_db(hz, response_db, coherence, band) for band in (LOWS_HZ, MIDDLE_HZ, TOP_HZ))
    low = (frequencies >= LOWS_HZ[0]) & (frequencies < LOWS_HZ[1])
    return Transfer(
        hz, response_db, coherence, lows - middle, top - middle,
        _change_db(float(before[low].sum()), float(after[low].sum())),
        power_to_db(added / max(float(after[heard].sum()), np.finfo(float).tiny)),
        (_share(before, low, heard), _share(after, low, heard)), banded[0],
    )  # fmt: skip


def _added(unexplained: float, smeared: float) -> float:
    """Power that no linear copy explains, less what the blocks smear; 0 where little but that is left."""
    left = unexplained - smeared
    return left if left > LEAST_OF_SMEARED * smeared else 0.0


def _smeared(before: FloatArray, cross: NDArray[np.complex128]) -> FloatArray:
    """Power ``(bins,)`` of a linear stage that its blocks leave unexplained, since their ends cut its response off.

    Where a response H changes within a block's resolution, as the phase of a high-pass does in the lows, the block
    after is not H times the block before. To first order the rest is dH/dw times the transform of the sound under the
    slope of the window; the slope of a Hann window of T seconds has 4/3 (pi/T)^2 of its energy (derived here).
    """
    found = np.zeros(before.shape[1])
    kernel = np.ones(2 * NEAR_BINS + 1)
    for own, shared in zip(before, cross, strict=True):
        smooth = np.convolve(own, kernel, "same")
        response = np.convolve(shared, kernel, "same") / np.maximum(smooth, np.finfo(float).tiny)
        # Bins are 2 pi / T apart, so T cancels.
        slope = (response[2 * NEAR_BINS :] - response[: -2 * NEAR_BINS]) / (4.0 * np.pi * NEAR_BINS)
        found[NEAR_BINS:-NEAR_BINS] += np.abs(slope) ** 2 * own[NEAR_BINS:-NEAR_BINS]
    return found * 4.0 / 3.0 * np.pi**2


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
