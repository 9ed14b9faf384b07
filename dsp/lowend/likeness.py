"""Which parts hold the same lows: identical, in opposite polarity, or with left and right swapped.

With x_i and x_j two parts over left and right, |x_i + x_j|^2 is what both leave together and |x_i - x_j|^2 how far
they are from equal; crossed products do the same with the channels of one part swapped. Only signed products tell
these cases apart: own powers are the same in all of them. A mono part counts as equal in both channels.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dsp.core.energy_gate import LEAST_POWER
from dsp.core.types import FloatArray
from dsp.core.units import db_to_power, power_to_db
from dsp.lowend.shares import WINDOW_SECONDS, Owners

IDENTICAL, OPPOSITE = "identical", "opposite polarity"
SWAPPED, SWAPPED_OPPOSITE = "left and right swapped", "left and right swapped, opposite polarity"
NOTHING_LEFT = 1e-6
"""A sum or a difference this far (60 dB) under its parts is all but gone."""
SAME_LOWS = -0.9
"""Correlation from which two parts are said to hold the same lows in opposite polarity (judgement): a copy 1 ms late
still has -0.93 at 60 Hz, and turned notes of two players do not get there."""
CANCELLING_DB = -1.0
"""Parts that lose less than this together are not said to cancel (judgement, as in ``pair``)."""
MOSTLY_GONE_DB = -6.0
QUIETEST_DB = -30.0
"""Against the strongest part: a nearly opposite part below it, such as hum, is not worth a warning."""
LEAST_WINDOWS = 5
"""No result before two seconds of sound."""


@dataclass(frozen=True)
class Alike:
    """Two parts, by index, that hold the same lows; ``kind`` is one of the four words above.

    ``together_db`` is the energy of both together over the sum of their energies, minus infinity where they cancel
    completely; ``flipped_db`` the same with one of them in the other polarity.
    """

    first: int
    second: int
    kind: str
    together_db: float
    flipped_db: float

    @property
    def cancels(self) -> bool:
        """Whether one takes the other away, in stereo or in mono."""
        return self.kind in (OPPOSITE, SWAPPED_OPPOSITE)


class LowLikeness:
    """Gather hops of ``LowBand`` into products of all parts with each other, in the whole low end.

    ``parts`` names columns of the hops, one or two each. ``last_seconds`` None counts all since ``reset``; with a
    number only so much of the sound heard last. Silent windows do not count, so a pause changes nothing.
    """

    def __init__(self, hop_seconds: float, parts: Sequence[Sequence[int]], last_seconds: float | None = None) -> None:
        self._left = np.array([columns[0] for columns in parts])
        self._right = np.array([columns[-1] for columns in parts])
        self._hops_in_window = max(1, round(WINDOW_SECONDS / hop_seconds))
        windows = None if last_seconds is None else max(1, round(last_seconds / WINDOW_SECONDS))
        self._windows: deque[FloatArray] = deque(maxlen=windows or 1)
        self._looks_back = windows is not None
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._windows.clear()
        self._total = np.zeros((2, len(self._left), len(self._left)))
        self._pending = np.zeros_like(self._total)
        self._samples = self._hops = self._heard = 0

    def push(self, hops: FloatArray) -> None:
        """Take hops ``(hops, bands, samples, channels)``; a hop that holds a NaN is left out."""
        for hop in hops:
            left, right = hop[0][:, self._left], hop[0][:, self._right]
            mid, side = 0.5 * (left + right), 0.5 * (left - right)
            products = np.stack([mid.T @ mid, side.T @ side])
            if np.isfinite(products).all():
                self._pending += products
                self._samples += len(mid)
            self._hops += 1
            if self._hops == self._hops_in_window:
                self._close()

    def alike(self) -> tuple[Alike, ...]:
        """Pairs of parts that hold the same lows, those that cancel first and the worst of them at the front."""
        if self._heard < LEAST_WINDOWS:
            return ()
        return alike(np.sum(self._windows, axis=0) if self._looks_back else self._total)

    def _close(self) -> None:
        # Mid and side power add up to the mean of left and right; twice that is 1 for a full-scale sine (AES17).
        own = np.einsum("kpp->p", self._pending)
        if self._samples and 2.0 * own.max() / self._samples >= LEAST_POWER:
            self._heard += 1
            if self._looks_back:
                self._windows.append(self._pending)
            else:
                self._total += self._pending
        self._pending = np.zeros_like(self._total)
        self._samples = self._hops = 0


def alike(products: FloatArray) -> tuple[Alike, ...]:
    """What products of mid and of side ``(2, parts, parts)`` tell of each two parts; see ``LowLikeness.alike``."""
    straight, crossed = 2.0 * (products[0] + products[1]), 2.0 * (products[0] - products[1])
    own = np.diag(straight)
    both = own[:, None] + own[None, :]
    usable = np.triu(np.minimum(own[:, None], own[None, :]) > 0.0, 1)
    gone = NOTHING_LEFT * both
    loud = np.minimum(own[:, None], own[None, :]) >= own.max(initial=0.0) * db_to_power(QUIETEST_DB)
    near = straight <= SAME_LOWS * np.sqrt(own[:, None] * own[None, :])
    near &= loud & (both + 2.0 * straight <= db_to_power(CANCELLING_DB) * both)
    found = []
    rest = usable
    for kind, holds in (
        (IDENTICAL, both - 2.0 * straight <= gone),
        (OPPOSITE, both + 2.0 * straight <= gone),
        (SWAPPED, both - 2.0 * crossed <= gone),
        (SWAPPED_OPPOSITE, both + 2.0 * crossed <= gone),
        (OPPOSITE, near),
    ):
        for one, other in np.argwhere(rest & holds):
            ratio = 2.0 * straight[one, other] / both[one, other]
            found.append(Alike(int(one), int(other), kind, _db(1.0 + ratio), _db(1.0 - ratio)))
        rest = rest & ~holds
    return tuple(sorted(found, key=lambda pair: (not pair.cancels, pair.together_db, pair.first, pair.second)))


def with_cancelling(owners: Owners, pairs: Sequence[Alike]) -> Owners:
    """The same with parts that cancel each other among ``cancelling``, whatever shares are left of them.

    Owners stay owners; a part that others' shares name stays there while most of it survives.
    """
    cancelling = list(owners.cancelling)
    for pair in pairs:
        kept = owners.owners if pair.together_db < MOSTLY_GONE_DB else (*owners.owners, *owners.others)
        cancelling += [part for part in (pair.first, pair.second) if pair.kind == OPPOSITE and part not in kept]
    taken = tuple(dict.fromkeys(cancelling))
    return Owners(owners.owners, tuple(part for part in owners.others if part not in taken), taken)


def _db(ratio: float) -> float:
    return power_to_db(ratio) if ratio > NOTHING_LEFT else float("-inf")
