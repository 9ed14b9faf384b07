"""What a stage costs at the stage that follows."""

from __future__ import annotations

import msgspec
import numpy as np
from numpy.typing import NDArray

from meter.stage.findings import StageFindings


def with_next(found: StageFindings, following: StageFindings) -> StageFindings:
    """``found`` with what it costs at the next stage: how much harder that one holds down at the usual level.

    An estimate: the static curve of ``following``, as heard, at the usual levels after and before this stage. NaN
    where that curve has fewer than two levels.
    """
    paid, curve = found.receipt, np.array(following.squeeze.curve)
    if len(curve) < 2 or not np.isfinite(curve).all():
        return found
    make_up_db = following.squeeze.make_up_db
    harder = [_held_at(level, curve, make_up_db) for level in (paid.level_after_db, paid.level_before_db)]
    known = msgspec.structs.replace(paid, next_squeeze_db=harder[0] - harder[1])
    return msgspec.structs.replace(found, receipt=known)


def _held_at(level_db: float, curve: NDArray[np.float64], make_up_db: float) -> float:
    """Decibels held down at an input level, NaN for NaN; beyond the ends of the curve as at its ends."""
    gain_db = float(np.interp(level_db, curve[:, 0], curve[:, 1] - curve[:, 0]))
    return float(np.maximum(0.0, make_up_db - gain_db))
