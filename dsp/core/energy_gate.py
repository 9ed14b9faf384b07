"""Sums over the hops of a stream that are loud enough, so that silence does not move a figure.

A hop votes when its level is at least ``ABSOLUTE_GATE_DBFS`` and not more than ``RELATIVE_GATE_DB`` under the loud
level, the 95th percentile of the hops over the absolute gate (common practice, no source). Levels are
referred to a full-scale sine (AES17). The sums of a hop are any array, of one shape for all hops.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from dsp.core.saved_state import SavedState, inside, of
from dsp.core.types import FloatArray
from dsp.core.units import db_to_power

ABSOLUTE_GATE_DBFS = -60.0
RELATIVE_GATE_DB = 20.0
LOUD_SHARE = 0.95
LEAST_VOTES = 6
"""Votes that a window needs, or half of its hops if that is less: 0.3 s of sound at hops of 50 ms."""

LEAST_POWER = db_to_power(ABSOLUTE_GATE_DBFS)
LOUD_TO_GATE = db_to_power(-RELATIVE_GATE_DB)

BIN_DB = 0.5
BINS = 400
"""From the absolute gate to +140 dBFS; higher levels go into the top bin."""


def votes_of(powers: FloatArray) -> NDArray[np.bool_]:
    """Return which hops of one window vote, ``(n,)``, from their powers ``(n,)`` in order of time."""
    loud_enough = np.sort(powers[powers >= LEAST_POWER])
    if not len(loud_enough):
        return np.zeros(len(powers), dtype=np.bool_)
    loud = loud_enough[int(LOUD_SHARE * (len(loud_enough) - 1))]
    return np.asarray(powers >= max(LEAST_POWER, loud * LOUD_TO_GATE))


class VotingTotal:
    """Sums of all hops since reset by level, in bins of 0.5 dB, so that the gate can rise later."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self._counts = np.zeros(BINS)
        self._sums = np.zeros((BINS, *shape))

    def push(self, power: float, sums: FloatArray) -> None:
        """Add one hop; faster than ``push_many`` for one."""
        if power >= LEAST_POWER:
            level = 10.0 * np.log10(power) - ABSOLUTE_GATE_DBFS
            row = min(int(level / BIN_DB), BINS - 1)
            self._counts[row] += 1.0
            self._sums[row] += sums

    def push_many(self, powers: FloatArray, sums: FloatArray) -> None:
        """Add hops ``(n,)`` with sums ``(n, *shape)``; those below the absolute gate are dropped."""
        kept = powers >= LEAST_POWER
        levels = 10.0 * np.log10(powers[kept]) - ABSOLUTE_GATE_DBFS
        rows = np.minimum((levels / BIN_DB).astype(np.intp), BINS - 1)
        np.add.at(self._counts, rows, 1.0)
        np.add.at(self._sums, rows, sums[kept])

    def total(self) -> FloatArray:
        """Sum over the voting hops, ``shape``; NaN before the first."""
        counted = np.cumsum(self._counts)
        if counted[-1] == 0.0:
            return np.full(self._sums.shape[1:], np.nan)
        loud_row = int(np.searchsorted(counted, LOUD_SHARE * (counted[-1] - 1.0), side="right"))
        first = max(0, loud_row - round(RELATIVE_GATE_DB / BIN_DB))
        return np.asarray(self._sums[first:].sum(axis=0))

    def save_state(self) -> dict[str, FloatArray | NDArray[np.intp]]:
        """Counts and sums of the bins in use."""
        rows = np.flatnonzero(self._counts)
        return {"rows": rows, "counts": self._counts[rows], "sums": self._sums[rows]}

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned."""
        self._counts[kept["rows"]] = kept["counts"]
        self._sums[kept["rows"]] = kept["sums"]


class EnergyGate:
    """Gated sums over windows up to now and since reset.

    ``windows_hops`` are lengths of windows in hops. ``windows`` has their sums, which stay while nothing votes;
    ``age_hops`` counts the hops since they were updated. Both are NaN before the first update.
    """

    def __init__(self, windows_hops: Sequence[int], shape: tuple[int, ...]) -> None:
        self._lengths = tuple(windows_hops)
        self._shape = shape
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._kept = max(self._lengths)
        self._powers = np.zeros(self._kept)
        self._sums = np.zeros((self._kept, *self._shape))
        self._total = VotingTotal(self._shape)
        self._totals: tuple[VotingTotal, ...] = (self._total,)
        self.windows = [np.full(self._shape, np.nan) for _ in self._lengths]
        self.age_hops = np.nan

    def push(self, power: float, sums: FloatArray) -> None:
        """Add one hop: its mean power re a full-scale sine (NaN: lost) and its sums."""
        sounds = math.isfinite(power) and power > 0.0
        self._powers[:-1], self._sums[:-1] = self._powers[1:], self._sums[1:]
        self._powers[-1], self._sums[-1] = (power, sums) if sounds else (0.0, 0.0)
        if sounds:
            for total in self._totals:
                total.push(power, sums)
        self.age_hops += 1.0
        self._renew(1)

    def push_many(self, powers: FloatArray, sums: FloatArray) -> None:
        """Add hops in order of time, ``(n,)`` and ``(n, *shape)``; same result as ``push`` for each."""
        if len(powers) == 1:
            self.push(float(powers[0]), sums[0])
            return
        powers = np.where(np.isfinite(powers), powers, 0.0)
        lost = (powers <= 0.0).reshape(-1, *(1,) * len(self._shape))
        sums = np.where(lost, 0.0, sums)
        for total in self._totals:
            total.push_many(powers, sums)
        self._remember(powers, sums)
        self.age_hops += float(len(powers))
        self._renew(len(powers))
        self._powers, self._sums = self._powers[-self._kept :].copy(), self._sums[-self._kept :].copy()

    def skip(self, hops: int) -> None:
        """Add lost hops."""
        if hops <= 0:
            return
        lost = min(hops, self._kept)
        self._remember(np.zeros(lost), np.zeros((lost, *self._shape)))
        self._powers, self._sums = self._powers[-self._kept :].copy(), self._sums[-self._kept :].copy()
        self.age_hops += float(hops)

    def _remember(self, powers: FloatArray, sums: FloatArray) -> None:
        self._powers = np.concatenate([self._powers, powers])
        self._sums = np.concatenate([self._sums, sums])

    def _renew(self, new: int) -> None:
        """Update each window at the last of the new hops that votes with enough others."""
        missing = set(range(len(self._lengths)))
        renewed = False
        for back in range(new):
            end = len(self._powers) - back
            votes = votes_of(self._powers[end - self._kept : end])
            if not votes[-1]:
                continue
            for index in sorted(missing):
                hops = self._lengths[index]
                if np.count_nonzero(votes[-hops:]) < min(LEAST_VOTES, (hops + 1) // 2):
                    continue
                self.windows[index] = self._sums[end - hops : end][votes[-hops:]].sum(axis=0)
                if not renewed:
                    self.age_hops, renewed = float(back), True
                missing.remove(index)
            if not missing:
                return

    def since_reset(self) -> FloatArray:
        """Sums over all voting hops since reset, ``shape``; NaN before the first."""
        return self._total.total()

    def mark(self) -> None:
        """Restart the sums since the mark, with the next hop."""
        self._totals = self._total, VotingTotal(self._shape)

    def since_mark(self) -> FloatArray:
        """Sums over all voting hops since the mark, without one since reset; NaN before the first."""
        return self._totals[-1].total()

    def save_state(self) -> SavedState:
        """What is counted since reset and since the mark."""
        marked = inside("marked", self._totals[-1].save_state()) if len(self._totals) > 1 else {}
        return {**self._total.save_state(), **marked}

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned; the windows start empty."""
        self._total.restore_state(kept)
        if marked := of("marked", kept):
            self.mark()
            self._totals[-1].restore_state(marked)


class Hops(Protocol):
    """What cuts a stream into hops."""

    def reset(self) -> None:
        """Forget the signal."""
        ...


class GatedSums:
    """Base of measures that sum hops under one energy gate: windows up to now, since reset, saved state.

    A subclass cuts the stream with ``hops`` and pushes into ``self._gate``. The last of ``windows_seconds`` is the
    steady one; sums have ``shape``.
    """

    def __init__(
        self, hops: Hops, hop_seconds: float, windows_seconds: Sequence[float], shape: tuple[int, ...]
    ) -> None:
        self._gated_hops = hops
        self._hop_seconds = hop_seconds
        self._gate = EnergyGate([round(seconds / hop_seconds) for seconds in windows_seconds], shape)

    def reset(self) -> None:
        """Forget the signal."""
        self._gated_hops.reset()
        self._gate.reset()

    def save_state(self) -> SavedState:
        """Sums since reset."""
        return self._gate.save_state()

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned."""
        self._gate.restore_state(kept)

    @property
    def steady_sums(self) -> FloatArray:
        """Gated sums of the longest window; the last ones while no hop is loud enough, NaN before the first."""
        return self._gate.windows[-1]

    def since_reset_sums(self) -> FloatArray:
        """Gated sums since reset; NaN before the first."""
        return self._gate.since_reset()

    def mark(self) -> None:
        """Restart the sums since the mark."""
        self._gate.mark()

    def since_mark_sums(self) -> FloatArray:
        """Gated sums since the mark, without one since reset; NaN before the first."""
        return self._gate.since_mark()

    @property
    def age_seconds(self) -> float:
        """Time since a hop was loud enough; NaN before the first."""
        return self._gate.age_hops * self._hop_seconds
