"""Gated means and percentiles of loudness from a histogram of fixed size.

Every bin has a count and an energy, so means are exact; only the bin that a gate cuts is taken or left whole.
Energies are weighted mean squares (sum of G z in ITU-R BS.1770-5 Annex 1).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.core.saved_state import SavedState
from dsp.core.types import FloatArray
from dsp.core.units import db_to_power, power_to_db

K_OFFSET_DB = -0.691
"""BS.1770-5 Annex 1 Formula 2: cancels the gain of K-weighting at 997 Hz."""

ABSOLUTE_GATE_LUFS = -70.0
"""BS.1770-5 Annex 1 and EBU Tech 3342."""

INTEGRATED_GATE_LU = -10.0
"""BS.1770-5 Annex 1: relative gate of integrated loudness, below the mean of all above the absolute gate."""

RANGE_GATE_LU = -20.0
"""EBU Tech 3342: relative gate of loudness range."""

RANGE_LOW_PERCENTILE = 10
RANGE_HIGH_PERCENTILE = 95
"""EBU Tech 3342: loudness range is the distance between these percentiles."""

BIN_LU = 0.05
TOP_LUFS = 90.0
"""The host leaves out samples beyond +60 dBFS; weighting and many channels add to that. The top bin takes more."""


def loudness_of(energy: float) -> float:
    """LUFS of a weighted mean square; 0 gives minus infinity, NaN gives NaN (BS.1770-5 Annex 1 Formula 2)."""
    return K_OFFSET_DB + power_to_db(energy)


def energy_of(loudness_lufs: float) -> float:
    """Weighted mean square of a loudness."""
    return db_to_power(loudness_lufs - K_OFFSET_DB)


class LoudnessHistogram:
    """Loudness values above -70 LUFS, by energy, in bins of 0.05 LU; 51 kB however long it runs."""

    def __init__(self) -> None:
        bins = round((TOP_LUFS - ABSOLUTE_GATE_LUFS) / BIN_LU) + 1
        self._counts = np.zeros(bins, dtype=np.int64)
        self._energies = np.zeros(bins)
        self._gate_energy = energy_of(ABSOLUTE_GATE_LUFS)

    def clear(self) -> None:
        """Forget all values."""
        self._counts[:] = 0
        self._energies[:] = 0.0

    def save_state(self) -> dict[str, FloatArray | NDArray[np.int64]]:
        """Counts and energies of the bins in use."""
        used = np.flatnonzero(self._counts)
        return {"bins": used, "counts": self._counts[used], "energies": self._energies[used]}

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned."""
        self.clear()
        self._counts[kept["bins"]] = kept["counts"]
        self._energies[kept["bins"]] = kept["energies"]

    def add(self, energies: FloatArray) -> None:
        """Count the energies ``(n,)`` above the absolute gate; others and NaN are left out."""
        above = energies[energies > self._gate_energy]
        if not len(above):
            return
        level = K_OFFSET_DB - ABSOLUTE_GATE_LUFS + 10.0 * np.log10(above)
        bins = np.clip((level / BIN_LU).astype(np.int64), 0, len(self._counts) - 1)
        np.add.at(self._counts, bins, 1)
        np.add.at(self._energies, bins, above)

    def gated_mean(self, relative_gate_lu: float) -> float:
        """Mean energy of all above the relative gate; NaN where there is none."""
        counts, energies = self._above(relative_gate_lu)
        total = int(counts.sum())
        return float(energies.sum()) / total if total else float("nan")

    def gated_percentile(self, relative_gate_lu: float, percentile: float) -> float:
        """Energy at ``percentile`` (0 to 100) of all above the relative gate; NaN where there is none.

        The value at index ``round((n - 1) * percentile / 100)`` of the sorted list, as the reference code of EBU
        Tech 3342 takes it, read as the mean of its bin.
        """
        counts, energies = self._above(relative_gate_lu)
        total = int(counts.sum())
        if not total:
            return float("nan")
        index = int((total - 1) * percentile / 100.0 + 0.5)
        place = int(np.searchsorted(np.cumsum(counts), index, side="right"))
        return float(energies[place] / counts[place])

    def _above(self, relative_gate_lu: float) -> tuple[FloatArray, FloatArray]:
        """Counts and energies of the bins in use whose mean lies above the relative gate, lowest first."""
        used = np.flatnonzero(self._counts)
        counts = self._counts[used].astype(np.float64)
        energies = self._energies[used]
        if not len(used):
            return counts, energies
        gate = energies.sum() / counts.sum() * db_to_power(relative_gate_lu)
        kept = energies / counts > gate
        return counts[kept], energies[kept]


def integrated_loudness(blocks: LoudnessHistogram) -> float:
    """Integrated loudness in LUFS of 400 ms blocks every 100 ms; NaN where no block lies above the gate."""
    return loudness_of(blocks.gated_mean(INTEGRATED_GATE_LU))


def loudness_range(short_terms: LoudnessHistogram) -> float:
    """Loudness range in LU of short-term values at 10 Hz (EBU Tech 3342); NaN where none lies above the gate."""
    high = short_terms.gated_percentile(RANGE_GATE_LU, RANGE_HIGH_PERCENTILE)
    low = short_terms.gated_percentile(RANGE_GATE_LU, RANGE_LOW_PERCENTILE)
    return loudness_of(high) - loudness_of(low)


def integrated_of_blocks(blocks_lufs: FloatArray) -> float:
    """Integrated loudness in LUFS of 400 ms blocks by their loudness, gated without bins; NaN is "no block".

    BS.1770-5 Annex 1 Formulae 5 to 7. Minus infinity where no block is above -70 LUFS, NaN without a block.
    """
    loudness = blocks_lufs[~np.isnan(blocks_lufs)]
    if not loudness.size:
        return float("nan")
    above = loudness[loudness > ABSOLUTE_GATE_LUFS]
    if not above.size:
        return float("-inf")
    energies = 10.0 ** ((np.minimum(above, TOP_LUFS) - K_OFFSET_DB) / 10.0)
    gate = float(energies.mean()) * db_to_power(INTEGRATED_GATE_LU)
    return loudness_of(float(energies[energies > gate].mean()))
