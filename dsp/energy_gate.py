"""Which hops may vote: a figure about sound must not be moved by its silences.

A hop votes when its level is at least ``ABSOLUTE_GATE_DBFS`` and not more than ``RELATIVE_GATE_DB`` under the loud
level, the 95th percentile of the hops over the absolute gate (common practice, no source). Levels are
referred to a full-scale sine (AES17). What is summed is up to the caller: any array of one shape per hop.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log10

import numpy as np
from numpy.typing import NDArray

from dsp.types import FloatArray
from dsp.units import db_to_power

ABSOLUTE_GATE_DBFS = -60.0
RELATIVE_GATE_DB = 20.0
LOUD_SHARE = 0.95
LEAST_VOTES = 6
"""Votes that a window needs, or half of it if that is less: 0.3 s of sound at hops of 50 ms."""

LEAST_POWER = db_to_power(ABSOLUTE_GATE_DBFS)
LOUD_TO_GATE = db_to_power(-RELATIVE_GATE_DB)

BIN_DB = 0.5
BINS = 400
"""From the absolute gate up to +140 dBFS; what is higher goes into the top bin."""


class VotingWindow:
    """The last ``hops`` hops with their votes; ``shape`` is that of one hop's sums."""

    def __init__(self, hops: int, shape: tuple[int, ...]) -> None:
        self._sums = np.zeros((hops, *shape))
        self._powers = np.zeros(hops)

    def push(self, power: float, sums: FloatArray) -> None:
        """Add one hop; a lost one is a power of 0."""
        self._sums[:-1] = self._sums[1:]
        self._powers[:-1] = self._powers[1:]
        self._sums[-1] = sums if power > 0.0 else 0.0
        self._powers[-1] = power

    def votes(self) -> NDArray[np.bool_]:
        """Which hops vote, oldest first."""
        heard = np.sort(self._powers[self._powers >= LEAST_POWER])
        if not len(heard):
            return np.zeros(len(self._powers), dtype=np.bool_)
        loud = heard[int(LOUD_SHARE * (len(heard) - 1))]
        return np.asarray(self._powers >= max(LEAST_POWER, loud * LOUD_TO_GATE))

    def total(self, votes: NDArray[np.bool_], hops: int) -> FloatArray:
        """Sum over the voting ones of the last ``hops`` hops."""
        return np.asarray(self._sums[-hops:][votes[-hops:]].sum(axis=0))


class VotingTotal:
    """Sums of all hops since reset, kept per half decibel of level, so that the gate may rise later."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self._counts = np.zeros(BINS)
        self._sums = np.zeros((BINS, *shape))

    def push(self, power: float, sums: FloatArray) -> None:
        """Add one hop; below the absolute gate it never votes and is not kept."""
        if not power >= LEAST_POWER:
            return
        level = 10.0 * log10(power) - ABSOLUTE_GATE_DBFS
        row = min(int(level / BIN_DB), BINS - 1)
        self._counts[row] += 1.0
        self._sums[row] += sums

    def total(self) -> FloatArray:
        """Sum over the hops that vote; NaN before the first."""
        heard = np.cumsum(self._counts)
        if heard[-1] == 0.0:
            return np.full(self._sums.shape[1:], np.nan)
        loud_row = int(np.searchsorted(heard, LOUD_SHARE * (heard[-1] - 1.0), side="right"))
        first = max(0, loud_row - round(RELATIVE_GATE_DB / BIN_DB))
        return np.asarray(self._sums[first:].sum(axis=0))


class EnergyGate:
    """Gated sums over windows up to now and since reset.

    ``windows_hops`` are lengths of windows in hops. A window's sums stay as they are while nothing votes, and
    ``age_hops`` counts the hops since they were last renewed; both are NaN before the first judgement.
    """

    def __init__(self, windows_hops: Sequence[int], shape: tuple[int, ...]) -> None:
        self._lengths = tuple(windows_hops)
        self._shape = shape
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._window = VotingWindow(max(self._lengths), self._shape)
        self._total = VotingTotal(self._shape)
        self.windows = [np.full(self._shape, np.nan) for _ in self._lengths]
        self.age_hops = np.nan

    def push(self, power: float, sums: FloatArray) -> None:
        """Add one hop: its mean power relative to a full-scale sine (NaN: lost) and its sums."""
        power = power if np.isfinite(power) else 0.0
        self._window.push(power, sums)
        self._total.push(power, sums)
        self.age_hops += 1.0
        votes = self._window.votes()
        if not votes[-1]:
            return
        for index, hops in enumerate(self._lengths):
            if np.count_nonzero(votes[-hops:]) >= min(LEAST_VOTES, (hops + 1) // 2):
                self.windows[index] = self._window.total(votes, hops)
                self.age_hops = 0.0

    def skip(self, hops: int) -> None:
        """Add lost hops."""
        nothing = np.zeros(self._shape)
        for _ in range(min(hops, max(self._lengths))):
            self._window.push(0.0, nothing)
        self.age_hops += float(hops)

    def since_reset(self) -> FloatArray:
        """Sums over all voting hops since reset; NaN before the first."""
        return self._total.total()
