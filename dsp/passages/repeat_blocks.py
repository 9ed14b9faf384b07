"""Repeats of the newest seconds of a stream side by side: levels in bands, likeness and energies, block by block.

A block is 64 ms. Two blocks are alike where one is a linear copy of the other within each band: gain, tone and slow
gain movement leave the likeness at 1, another sound in one of the two lowers it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.fft import irfft, rfft

from dsp.core.scipy_signal import hann
from dsp.core.types import TICKS_PER_SECOND, FloatArray
from dsp.passages.loop_lags import Wave
from dsp.passages.repeat_stream import RepeatStretch

BLOCK_SECONDS = 0.064
BAND_EDGES_HZ = (50.0, 110.0, 180.0, 270.0, 400.0, 600.0, 850.0, 1200.0, 1700.0, 2400.0, 3400.0, 5000.0)
BANDS = len(BAND_EDGES_HZ) - 1
LOUD_WITHIN_DB = 20.0
"""Blocks this far under what is loud do not count, nor bands this far under the strongest of a repeat."""
BANDS_WITHIN_DB = 40.0
PLACES_IN_STEP = 8
MOST_LATENCY = 0.5
"""Of a block: windows that lie further apart hold too much of other sound."""
SILENCE = 1e-6
"""Mean square below which nothing plays, -60 dBFS."""


@dataclass(frozen=True)
class RepeatBlocks:
    """Blocks of ``n`` repeats, the newest first, at the same ``places`` of the loop.

    ``levels_db`` ``(n, places, BANDS)``; ``likeness`` of each to the newest, of the same shape, 0 to 1; ``energies``
    ``(n, places, 2)``, K-weighted and in 20 to 120 Hz; ``counts`` ``(n, places)`` is False where sound is lost, quiet
    or not there; ``bands`` ``(BANDS,)`` says which bands hold sound; ``seconds`` ``(n, places)`` are the middles.
    """

    levels_db: FloatArray
    likeness: FloatArray
    energies: FloatArray
    counts: NDArray[np.bool_]
    bands: NDArray[np.bool_]
    seconds: FloatArray
    bins: FloatArray

    def of(self, repeats: Sequence[int]) -> RepeatBlocks:
        """Only these repeats."""
        some = list(repeats)
        return RepeatBlocks(
            self.levels_db[some], self.likeness[some], self.energies[some], self.counts[some],
            self.bands, self.seconds[some], self.bins,
        )  # fmt: skip


def repeat_blocks(stretch: RepeatStretch, wave: Wave, lags: Sequence[int]) -> RepeatBlocks:
    """The newest ``lags[0]`` samples of ``wave`` (``stretch.wave`` in one piece) and their repeats."""
    hop = round(BLOCK_SECONDS * stretch.wave_hz)
    places = max(1, lags[0] // hop - 1)
    starts = len(wave) - (places + 1 - np.arange(places)) * hop - np.array([0, *lags])[:, None]
    spectra = [_spectra(wave, each, hop) for each in starts]
    for number in range(1, len(starts)):
        late = _delays(spectra[0] * np.conj(spectra[number]), hop)
        if late.any():
            starts[number] -= late
            spectra[number] = _spectra(wave, starts[number], hop)
    edges = np.minimum(np.round(np.array(BAND_EDGES_HZ) * 2 * hop / stretch.wave_hz).astype(int), hop)
    power = np.stack([_in_bands(each.real**2 + each.imag**2, edges) for each in spectra])
    cross = np.stack([_in_bands(spectra[0] * np.conj(each), edges) for each in spectra])
    both = np.maximum(power * power[0], 1e-30)
    likeness = np.abs(cross) ** 2 / both
    seconds = (stretch.wave.first + starts + hop) / stretch.wave_hz - stretch.delay_seconds
    energies, whole = _energies(stretch, seconds)
    usual = np.nan_to_num(power[0]).mean(axis=0)
    return RepeatBlocks(
        levels_db=10.0 * np.log10(np.maximum(np.nan_to_num(power), 1e-30)),
        likeness=np.clip(np.nan_to_num(likeness), 0.0, 1.0),
        energies=energies,
        counts=whole & np.isfinite(power).all(axis=2) & _loud(energies[:, :, 0]),
        bands=np.asarray(usual > np.max(usual) * 10.0 ** (-BANDS_WITHIN_DB / 10.0)),
        seconds=seconds,
        bins=np.diff(edges).astype(np.float64),
    )


def _spectra(wave: Wave, starts: NDArray[np.intp], hop: int) -> NDArray[np.complex64]:
    """Spectra of windows of two hops from each start on, ``(places, hop + 1)``; NaN outside the wave."""
    there = (starts >= 0) & (starts <= len(wave) - 2 * hop)
    windows = sliding_window_view(wave, 2 * hop)[np.where(there, starts, 0)]
    spectra = rfft(windows * hann(2 * hop, sym=False).astype(np.float32), axis=1)
    spectra[~there] = np.nan
    return np.asarray(spectra)


def _delays(products: NDArray[np.complex64], hop: int) -> NDArray[np.intp]:
    """How many samples a repeat comes early or late at each place, from its products ``(places, hop + 1)``.

    It differs where a stage of other latency is switched; found for each half second from the phase alone.
    """
    known = np.nan_to_num(products)
    late = np.zeros(len(products), dtype=np.intp)
    for start in range(0, len(late), PLACES_IN_STEP):
        some = slice(start, start + PLACES_IN_STEP)
        sums = known[some].sum(axis=0)
        delay = int(np.abs(irfft(sums / np.maximum(np.abs(sums), 1e-20))).argmax())
        delay -= 2 * hop if delay > hop else 0
        late[some] = delay if abs(delay) <= hop * MOST_LATENCY else 0
    return late


def _in_bands(values: NDArray[np.inexact], edges: NDArray[np.intp]) -> NDArray[np.inexact]:
    return np.add.reduceat(values, edges, axis=1)[:, :-1]


def _energies(stretch: RepeatStretch, middles: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Energies of the blocks round ``middles``, and which of them are whole."""
    ticks = stretch.energies.joined().astype(np.float64)
    lost = np.isnan(ticks[0])
    edges = (stretch.energies.first + np.arange(ticks.shape[1] + 1)) / TICKS_PER_SECOND
    begin, end = middles - BLOCK_SECONDS / 2, middles + BLOCK_SECONDS / 2
    found = []
    for row in (*np.where(lost, 0.0, ticks), lost.astype(np.float64)):
        sums = np.concatenate([[0.0], np.cumsum(row)])
        found.append(np.interp(end, edges, sums) - np.interp(begin, edges, sums))
    whole = (found[2] < 1e-9) & (begin >= edges[0]) & (end <= edges[-1])
    return np.stack(found[:2], axis=2), whole


def _loud(energies: FloatArray) -> NDArray[np.bool_]:
    """Which blocks play; the newest repeat says what is loud."""
    loud = float(np.percentile(energies[0], 90.0))
    return np.asarray((energies > loud * 10.0 ** (-LOUD_WITHIN_DB / 10.0)) & (energies > 0.0))
