"""Who owns the low end: covariance shares of parts in the low bands, and what each part does to the lows in mono.

With x_i a part and m the sum of all parts, share_i = sum<x_i m> / sum<m m>, over left and right. Shares add up to
exactly 1; one below 0 says that the part cancels lows of the others. A mono part counts as equal in both channels.
Sums are kept as mid (L + R) / 2 and side (L - R) / 2, from which L and R follow, and so does the loss in mono.
Windows last about 400 ms; those more than 20 dB under the loud ones, or silent, do not vote (``energy_gate``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dsp.core.energy_gate import EnergyGate, VotingTotal
from dsp.core.saved_state import SavedState, inside, of
from dsp.core.types import FloatArray
from dsp.core.units import power_to_db
from dsp.lowend.low_band import LOW_BANDS_HZ

WINDOW_SECONDS = 0.4
OWNED_PERCENT = 85.0
"""Owners are the smallest set of parts that holds this much of the low end (judgement)."""
NOTABLE_PERCENT = 3.0
"""A part that owns nothing is named above this: a part 15 dB under the rest holds 3 %."""
BUS_DIFFERENCE_DB = 1.0
CANCELLED = 1e-9
"""A sum this much weaker than its parts (-90 dB) is what rounding leaves of a cancellation."""

WITH_SUM_MID, WITH_SUM_SIDE, OWN_MID, OWN_SIDE = range(4)
"""Columns of a row of sums: covariance with the sum of parts in mid and side, own power in mid and side."""


@dataclass(frozen=True)
class LowSums:
    """Sums over voting windows: ``parts`` ``(bands, parts, 4)``, ``mix`` ``(bands, 2)`` mid and side power.

    ``mix`` is NaN without a mix. The first band is the whole low end. All NaN before anything was loud enough.
    """

    parts: FloatArray
    mix: FloatArray

    @property
    def sum_mid(self) -> FloatArray:
        """Mid power of the sum of parts, ``(bands,)``."""
        return np.asarray(self.parts[:, :, WITH_SUM_MID].sum(axis=1))

    @property
    def sum_side(self) -> FloatArray:
        """Side power of the sum of parts, ``(bands,)``."""
        return np.asarray(self.parts[:, :, WITH_SUM_SIDE].sum(axis=1))

    @property
    def share_percent(self) -> FloatArray:
        """Share of each part in each band, ``(bands, parts)``; NaN where the parts cancel or are silent."""
        own = self.parts[:, :, OWN_MID:].sum(axis=(1, 2))
        total = self.sum_mid + self.sum_side
        total = np.where(total > CANCELLED * own, total, np.nan)
        together = self.parts[:, :, WITH_SUM_MID] + self.parts[:, :, WITH_SUM_SIDE]
        return np.asarray(100.0 * together / total[:, None])

    @property
    def mix_over_sum_db(self) -> FloatArray:
        """Level of the real mix over the sum of its parts, ``(bands,)``; NaN without a mix."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(power_to_db(self.mix.sum(axis=1) / (self.sum_mid + self.sum_side)))

    @property
    def loss_db(self) -> FloatArray:
        """What the sum of parts loses in mono, ``(bands,)``, 0 or negative."""
        return mono_loss_db(self.sum_mid, self.sum_side)

    @property
    def part_loss_db(self) -> FloatArray:
        """What each part alone loses in mono, ``(bands, parts)``."""
        return mono_loss_db(self.parts[:, :, OWN_MID], self.parts[:, :, OWN_SIDE])

    @property
    def loss_with_part_in_mono_db(self) -> FloatArray:
        """What the sum would lose if one part were mono, ``(bands, parts)``: its side goes, its mid stays."""
        side = self.sum_side[:, None] - 2.0 * self.parts[:, :, WITH_SUM_SIDE] + self.parts[:, :, OWN_SIDE]
        return mono_loss_db(np.broadcast_to(self.sum_mid[:, None], side.shape), side)

    @property
    def loss_without_part_db(self) -> FloatArray:
        """What the sum would lose if one part were taken out, ``(bands, parts)``; NaN where nothing would be left."""
        mid = self.sum_mid[:, None] - 2.0 * self.parts[:, :, WITH_SUM_MID] + self.parts[:, :, OWN_MID]
        side = self.sum_side[:, None] - 2.0 * self.parts[:, :, WITH_SUM_SIDE] + self.parts[:, :, OWN_SIDE]
        return mono_loss_db(mid, side)


def mono_loss_db(mid: FloatArray, side: FloatArray) -> FloatArray:
    """10 log10 of mid over mid and side power: 0 in mono, -3.01 for unrelated channels; NaN in silence."""
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.maximum(mid, 0.0) / (np.maximum(mid, 0.0) + np.maximum(side, 0.0))
    return power_to_db(np.asarray(share))


@dataclass(frozen=True)
class Owners:
    """Indices of parts, strongest first: who holds the low end, who else is notable, who takes away from it."""

    owners: tuple[int, ...]
    others: tuple[int, ...]
    cancelling: tuple[int, ...]


def owners_of(share_percent: FloatArray) -> Owners:
    """Sort the shares ``(parts,)`` of one band; NaN shares own nothing."""
    shares = np.nan_to_num(share_percent, nan=0.0)
    order = [int(index) for index in np.argsort(-shares, kind="stable")]
    owners: list[int] = []
    held = 0.0
    for index in order:
        if held >= OWNED_PERCENT - 1e-9 or shares[index] <= 0.0:
            break
        owners.append(index)
        held += float(shares[index])
    others = tuple(index for index in order if index not in owners and shares[index] > NOTABLE_PERCENT)
    return Owners(
        tuple(owners), others, tuple(index for index in reversed(order) if shares[index] < -NOTABLE_PERCENT)
    )


class LowShares:
    """Gather hops of ``LowBand`` into gated sums: over the last seconds, since a mark, and since reset.

    ``parts`` and ``mix`` name columns of the hops, one (mono) or two (left and right) each. ``hop_seconds`` is the
    splitter's. ``closed`` counts windows: sums change with it only. Raises ValueError for a part of no or more than
    two columns.
    """

    def __init__(
        self,
        hop_seconds: float,
        parts: Sequence[Sequence[int]],
        mix: Sequence[int] | None = None,
        last_seconds: float = 10.0,
        bands: int = len(LOW_BANDS_HZ),
    ) -> None:
        feeds = [*parts, *([mix] if mix is not None else [])]
        if not parts or any(len(columns) not in (1, 2) for columns in feeds):
            raise ValueError("A low-end part has one channel or two; there must be at least one part.")
        self._left = np.array([columns[0] for columns in feeds])
        self._right = np.array([columns[-1] for columns in feeds])
        self._parts = len(parts)
        self._shape = (bands, len(feeds), 4)
        self._hops_in_window = max(1, round(WINDOW_SECONDS / hop_seconds))
        self.window_seconds = self._hops_in_window * hop_seconds
        self._windows = max(1, round(last_seconds / self.window_seconds))
        self.reset()

    def reset(self) -> None:
        """Forget the signal and the mark."""
        self._gate = EnergyGate([self._windows], self._shape)
        self.closed = 0
        self._pending = np.zeros(self._shape)
        self._hops = 0
        self._samples = 0
        self.mark()

    def mark(self) -> None:
        """Begin to count ``since_mark`` afresh, with the next whole window."""
        self._marked = VotingTotal(self._shape)
        self._window_is_older = self._hops > 0

    def push(self, hops: FloatArray) -> None:
        """Take hops ``(hops, bands, samples, channels)``; NaN where lost. A window with a lost hop is lost."""
        for hop in hops:
            self._add(self._sums(hop), hop.shape[1])

    def push_sums(self, each: FloatArray, samples: int) -> None:
        """Take the ``sums`` of hops of so many samples: two who gather the same hops need work them out only once."""
        for sums in each:
            self._add(sums, samples)

    def sums(self, hops: FloatArray) -> FloatArray:
        """What ``push`` makes of hops, ``(hops, bands, feeds, 4)``."""
        return np.array([self._sums(hop) for hop in hops]).reshape(-1, *self._shape)

    def last(self) -> LowSums:
        """Over the last seconds; stays as it was while nothing is loud enough."""
        return self._say(self._gate.windows[0])

    @property
    def age_seconds(self) -> float:
        """Since ``last`` was renewed; NaN before the first time."""
        return self._gate.age_hops * self.window_seconds

    def since_mark(self) -> LowSums:
        """Since ``mark``."""
        return self._say(self._marked.total())

    def whole(self) -> LowSums:
        """Since reset."""
        return self._say(self._gate.since_reset())

    def save_state(self) -> SavedState:
        """What is counted since reset and since the mark."""
        return {**inside("whole", self._gate.save_state()), **inside("marked", self._marked.save_state())}

    def restore_state(self, kept: SavedState) -> None:
        """Go on from what ``save_state`` gave; the sums of the last seconds restart."""
        self.reset()
        self._gate.restore_state(of("whole", kept))
        self._marked.restore_state(of("marked", kept))

    def _sums(self, hop: FloatArray) -> FloatArray:
        left, right = hop[:, :, self._left], hop[:, :, self._right]
        mid, side = 0.5 * (left + right), 0.5 * (left - right)
        sums = np.empty(self._shape)
        parts = slice(0, self._parts)
        sums[:, :, WITH_SUM_MID] = np.einsum("bsp,bs->bp", mid, mid[:, :, parts].sum(axis=2))
        sums[:, :, WITH_SUM_SIDE] = np.einsum("bsp,bs->bp", side, side[:, :, parts].sum(axis=2))
        sums[:, :, OWN_MID] = (mid**2).sum(axis=1)
        sums[:, :, OWN_SIDE] = (side**2).sum(axis=1)
        return sums

    def _add(self, sums: FloatArray, samples: int) -> None:
        self._pending += sums
        self._samples += samples
        self._hops += 1
        if self._hops == self._hops_in_window:
            self._close()

    def _close(self) -> None:
        self.closed += 1
        parts = self._pending[0, : self._parts]
        # Parts that cancel leave no sum, yet have something to say: the louder of sum and parts opens the gate.
        loudest = max(parts[:, :OWN_MID].sum(), parts[:, OWN_MID:].sum())
        # Mid and side power add up to the mean of left and right; twice that is 1 for a full-scale sine (AES17).
        power = float(2.0 * loudest / max(self._samples, 1))
        self._gate.push(power, self._pending)
        if np.isfinite(power) and not self._window_is_older:
            self._marked.push(power, self._pending)
        self._window_is_older = False
        self._pending = np.zeros(self._shape)
        self._hops = 0
        self._samples = 0

    def _say(self, sums: FloatArray) -> LowSums:
        parts = sums[:, : self._parts]
        mix = sums[:, self._parts, OWN_MID:] if self._shape[1] > self._parts else np.full((len(sums), 2), np.nan)
        return LowSums(parts, mix)
