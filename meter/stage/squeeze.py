"""The squeeze of a stretch as findings, and what makes it unsure."""

from __future__ import annotations

import math

import numpy as np

from dsp.core.types import FloatArray
from dsp.stage.band_gain import is_band_dependent, is_flat, whitened
from dsp.stage.flanks import LEAST_CHANGE_DB, Flanks, flanks
from dsp.stage.gain import Squeeze, loud_enough, squeeze
from dsp.stage.onset_gain import kick_dip_db
from dsp.stage.stage_stream import STEPS_PER_TICK, StageStretch
from dsp.stage.transfer import Transfer
from meter.stage.findings import SqueezeFindings, Why

NOT_ENOUGH_LOUD = "less than a second of the sound before is loud enough; play a louder stretch"
FEW_LOW_ONSETS = "fewer than four low onsets with sound before them; play a stretch with a kick"
FEW_FLANKS = "fewer than three clear changes of gain; play a stretch with hits"
MUTED = (
    "After is silent in {share:.0f} % of the time in which before plays: a gate or a drop-out; it does not count as "
    "squeeze."
)
NO_COPY = (
    "{share:.0f} % of the power after is no copy of before (distortion, modulation, reverberation or noise), which "
    "also moves the squeeze."
)
LOST = "most of the spectrum of before is missing in after; check that before is what goes into the stage"
LOST_BELOW_DB, LOST_COHERENCE, MOST_LOST, HEARD_BELOW = 20.0, 0.5, 0.5, 1e-6
"""Twelfths 20 dB under the top of the response that are no copy are lost; those within 60 dB count (judgement)."""
NO_FLANKS = Flanks(math.nan, math.nan)
LEAST_BEHIND_FILTER_DB = 1.0
LEAST_MUTED_PERCENT, LEAST_NO_COPY = 0.5, 0.1
"""Judgement."""


def squeeze_findings(stretch: StageStretch, why: Why) -> tuple[SqueezeFindings, tuple[str, ...]]:
    """The squeeze, and sentences on what it does not count or cannot tell apart."""
    ticks = min(stretch.steps.shape[1] // STEPS_PER_TICK, stretch.bands.shape[1])
    steps = stretch.steps[:, : ticks * STEPS_PER_TICK].reshape(2, ticks, STEPS_PER_TICK)
    power, bands = steps.mean(axis=2), stretch.bands[:, :ticks]
    # NaN at gaps: they never count.
    counted = loud_enough(power[0])
    flat = is_flat(bands[:, counted])
    expected, after = (power[0], power[1]) if flat else whitened(bands, counted)
    found = squeeze(power[0], after, expected)
    lost = stretch.transfer is not None and _is_lost(stretch.transfer)
    if found is None or lost:
        why["squeeze"] = LOST if lost else NOT_ENOUGH_LOUD
        return SqueezeFindings(), ()
    # Behind a filter the level also moves with the notes, and that is no attack.
    tells = found.max_db >= LEAST_CHANGE_DB if flat else found.p90_db >= LEAST_BEHIND_FILTER_DB
    times = _times(stretch, found.make_up_db) if tells else NO_FLANKS
    if math.isnan(times.attack_ms) or math.isnan(times.recovery_ms):
        why["attack_ms"] = FEW_FLANKS
    counted &= (after > 0.0) & (expected > 0.0)
    held = np.full(ticks, np.nan)
    held[counted] = found.make_up_db - 10.0 * np.log10(after[counted] / expected[counted])
    dip_db = kick_dip_db(held, bands[0])
    if math.isnan(dip_db):
        why["kick_dip_db"] = FEW_LOW_ONSETS
    return SqueezeFindings(
        found.median_db, found.p90_db, found.max_db, found.make_up_db, found.over_percent,
        times.attack_ms, times.recovery_ms, found.at_least, found.expands,
        is_band_dependent(bands[:, counted]), not flat,
        tuple((float(level), float(out)) for level, out in found.curve), dip_db,
    ), _doubts(found, stretch.transfer, expected[counted], after[counted])  # fmt: skip


def _is_lost(transfer: Transfer) -> bool:
    """Whether after lacks most of before without being a filtered copy: one part of a mix beside the mix."""
    heard = transfer.before_power > HEARD_BELOW * transfer.before_power.max(initial=0.0)
    response_db = transfer.response_db[heard]
    if not np.isfinite(response_db).any():
        return False
    low = response_db < np.nanmax(response_db) - LOST_BELOW_DB
    return bool((low & (transfer.coherence[heard] < LOST_COHERENCE)).mean() > MOST_LOST)


def _doubts(found: Squeeze, transfer: Transfer | None, expected: FloatArray, after: FloatArray) -> tuple[str, ...]:
    """What is muted, and what is neither a linear copy nor explained by gain that moves."""
    notes = []
    if found.muted_percent >= LEAST_MUTED_PERCENT:
        notes.append(MUTED.format(share=found.muted_percent))
    if transfer is not None:
        # A copy of changing gain has a linear part as large as the correlation of both envelopes.
        copied = float(np.sqrt(expected * after).sum() ** 2 / (expected.sum() * after.sum()))
        share = 10.0 ** (transfer.added_db / 10.0) - (1.0 - copied)
        if share >= LEAST_NO_COPY:
            notes.append(NO_COPY.format(share=100.0 * share))
    return tuple(notes)


def _times(stretch: StageStretch, make_up_db: float) -> Flanks:
    before, after = stretch.steps
    known = np.isfinite(before)
    counted = np.zeros(len(before), dtype=bool)
    counted[known] = loud_enough(before[known])
    with np.errstate(divide="ignore", invalid="ignore"):
        held = make_up_db - 10.0 * np.log10(after / before)
    return flanks(np.where(counted & np.isfinite(held), held, np.nan), before, stretch.step_ms)
