"""Receipt of a bold move: what a stage bought and what it paid, from one stretch."""

from __future__ import annotations

import numpy as np

from dsp.core.types import FloatArray
from dsp.stage.boost import LEAST_BOOST_DB, boosted_band
from dsp.stage.gain import FULL_SCALE_DB, loud_enough
from dsp.stage.onset_gain import LEAST_ONSETS, attack_change
from dsp.stage.stage_stream import BAND_EDGES_HZ, STEPS_PER_TICK, StageStretch
from meter.stage.findings import ReceiptFindings, Why

NAN = float("nan")
FEW_ONSETS = f"fewer than {LEAST_ONSETS} clear onsets; play a stretch with hits"


def receipt(stretch: StageStretch, loudness_lu: float, squeeze_db: float, why: Why) -> ReceiptFindings:
    """What was bought and paid; ``next_squeeze_db`` comes from ``next_stage``.

    A boost counts that exceeds ``squeeze_db``, the 90th percentile: what sounds in quieter moments is held down less.
    """
    transfer = stretch.transfer
    band = boosted_band(transfer, float(np.fmax(LEAST_BOOST_DB, squeeze_db))) if transfer else None
    reach = (band.low_hz, band.high_hz) if band else (0.0, BAND_EDGES_HZ[-1])
    attack = attack_change(stretch.bands, *reach)
    if np.isnan(attack.attack_db):
        why["attack_db"] = FEW_ONSETS
    shares = transfer.low_shares if transfer else (NAN, NAN)
    before, after = stretch.sides
    levels = usual_levels(stretch.steps)
    return ReceiptFindings(
        loudness_lu=loudness_lu,
        band_db=band.boost_db if band else NAN,
        band_low_hz=band.low_hz if band else NAN,
        band_high_hz=band.high_hz if band else NAN,
        attack_db=attack.attack_db,
        crest_db=attack.crest_db,
        headroom_db=before.true_peak_dbtp - after.true_peak_dbtp,
        peak_to_loudness_lu=after.peak_to_loudness_lu - before.peak_to_loudness_lu,
        low_share_before_percent=100.0 * shares[0],
        low_share_after_percent=100.0 * shares[1],
        level_before_db=levels[0],
        level_after_db=levels[1],
    )


def usual_levels(steps: FloatArray) -> tuple[float, float]:
    """Median level in 10 ms of both sides, dB re a full-scale sine, over the moments that count; NaN without one."""
    ticks = steps.shape[1] // STEPS_PER_TICK
    power = steps[:, : ticks * STEPS_PER_TICK].reshape(2, ticks, STEPS_PER_TICK).mean(axis=2)
    counted = loud_enough(power[0]) & (power[1] > 0.0)
    if not counted.any():
        return NAN, NAN
    before, after = np.median(10.0 * np.log10(power[:, counted]), axis=1) + FULL_SCALE_DB
    return float(before), float(after)
