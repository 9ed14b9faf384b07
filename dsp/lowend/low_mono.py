"""Where the lows of several parts lose most in mono, and which of them is behind it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.core.units import db_to_power
from dsp.lowend.fold_down import VOTE_RANGE_DB
from dsp.lowend.shares import LowSums

NAN = float("nan")
NOTABLE_LOSS_DB = 0.5
NOTABLE_RESTORED_DB = 0.1
NOTHING_LEFT_DB = -60.0


@dataclass(frozen=True)
class MonoLoss:
    """Where the sum of the parts loses most in mono: band 0 is the whole low end, then the sub-bands from 1.

    ``part`` is the one whose being mono would restore most there, -1 if little is lost or no part is behind it, and
    ``left_db`` what would still be lost then.
    """

    band: int
    loss_db: float
    part: int = -1
    left_db: float = NAN


def mono_loss(sums: LowSums) -> MonoLoss:
    """The band with the largest loss among those that count, and the part that causes it."""
    loss = sums.loss_db
    power = sums.sum_mid + sums.sum_side
    if not (np.isfinite(power).all() and power[0] > 0.0):
        return MonoLoss(0, float(loss[0]))
    counts = power >= power[1:].max() * db_to_power(-VOTE_RANGE_DB)
    counts[0] = True
    worst = int(np.nanargmin(np.where(counts, loss, np.inf)))
    found = MonoLoss(worst, float(loss[worst]))
    if not found.loss_db < -NOTABLE_LOSS_DB:
        return found
    restored = sums.loss_with_part_in_mono_db[worst]
    best = int(np.nanargmax(restored))
    helps = restored[best] - max(found.loss_db, NOTHING_LEFT_DB) >= NOTABLE_RESTORED_DB
    return MonoLoss(worst, found.loss_db, best, float(restored[best])) if helps else found
