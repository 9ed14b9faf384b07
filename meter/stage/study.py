"""The referee's study: one stretch of before and after to findings."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from dsp.core.types import FloatArray
from dsp.core.units import power_to_db
from dsp.stage.alignment import Alignment
from dsp.stage.stage_stream import StageStretch
from dsp.stage.transfer import SURE_COHERENCE, Transfer
from meter.stage.findings import (
    FAIR,
    INVERTED,
    NEARLY_FAIR,
    NOT_FAIR,
    SAME,
    LinearFindings,
    StageFindings,
    Why,
)
from meter.stage.receipt import receipt
from meter.stage.squeeze import squeeze_findings

FAIR_LU, NEARLY_FAIR_LU = 0.2, 0.5
"""Common practice, no source."""
NAN = math.nan

TOO_SHORT = "both sides sound together for less than 2 s; play a longer stretch"
UNSURE = "too little of the sound after is a copy of the sound before"


def stage(stretch: StageStretch, alignment: Alignment, rate_hz: int, notes: tuple[str, ...] = ()) -> StageFindings:
    """All findings of ``stretch``, whose two sides were lined up by ``alignment``."""
    why: Why = {}
    change_lu = _change(stretch.k_energy)
    held, said = squeeze_findings(stretch, why)
    linear = _linear(stretch.transfer, why)
    before, after = stretch.sides
    return StageFindings(
        seconds=stretch.seconds,
        lag_samples=alignment.lag_frames,
        lag_ms=1000.0 * alignment.lag_frames / rate_hz,
        swapped=alignment.lag_frames <= -0.5,
        polarity=tuple(INVERTED if inverted else SAME for inverted in alignment.inverted),
        verdict=verdict_of(change_lu),
        loudness_change_lu=change_lu,
        trim_db=-change_lu,
        low_change_db=stretch.transfer.low_change_db if stretch.transfer else NAN,
        squeeze=held,
        linear=linear,
        added_db=stretch.transfer.added_db if stretch.transfer else NAN,
        true_peak_change_db=after.true_peak_dbtp - before.true_peak_dbtp,
        peak_to_loudness_change_lu=after.peak_to_loudness_lu - before.peak_to_loudness_lu,
        notes=(*notes, *said, *_clipping(before.clipped_runs, after.clipped_runs)),
        why=why,
        receipt=receipt(stretch, change_lu, held.p90_db, why),
    )


def _clipping(before: int, after: int) -> tuple[str, ...]:
    return (f"After clips: {after:,} runs of samples at one extreme, {before:,} before.",) if after > before else ()


def verdict_of(change_lu: float) -> str:
    """Whether two sides are heard at equal loudness; the change is taken as it is shown, to 0.1 LU."""
    shown = abs(round(change_lu, 1))
    if shown <= FAIR_LU:
        return FAIR
    return NEARLY_FAIR if shown <= NEARLY_FAIR_LU else NOT_FAIR


def _change(energy: FloatArray) -> float:
    return power_to_db(energy[1] / energy[0]) if energy[0] > 0.0 else NAN


def _linear(transfer: Transfer | None, why: Why) -> LinearFindings:
    if transfer is None:
        why["linear"] = why["added_db"] = why["low_change_db"] = TOO_SHORT
        return LinearFindings()
    sure = (transfer.coherence >= SURE_COHERENCE) & np.isfinite(transfer.response_db)
    if math.isnan(transfer.lows_db) or math.isnan(transfer.tilt_db):
        why["linear"] = UNSURE
    rows: Any = np.stack([transfer.hz, transfer.response_db, transfer.coherence], axis=1)[sure].tolist()
    return LinearFindings(transfer.lows_db, transfer.tilt_db, tuple((hz, db, sure) for hz, db, sure in rows))
