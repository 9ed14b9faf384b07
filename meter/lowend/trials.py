"""The high-passes of a part: their price, and what they did to captured sound of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace

from dsp.core.lag import Lag, find_lag
from dsp.core.types import FloatArray
from dsp.lowend.high_pass import SLOPES_DB_PER_OCTAVE, price
from dsp.lowend.high_pass_trial import LOWEST_CUTOFF_HZ, HighPassTrial, Trial, decay_change_ms
from dsp.lowend.low_stretch import Captured, LowStretch
from meter.lowend.findings import Offer
from meter.lowend.looks import Look

LONGEST_LAG_SECONDS = 0.25
LAG_STRETCH_SECONDS = 20.0
NOT_TRIED = Trial(*[float("nan")] * 4)


def lag_of_mix(stretch: LowStretch) -> Lag:
    """How the mix lags the sum of the parts, ``frames`` in seconds; not sure without a mix."""
    if stretch.mix is None:
        return Lag(0.0, 0.0, 0.0)
    rate_hz = stretch.together.rate_hz
    together, mix = (np.nan_to_num(sound.kept) for sound in (stretch.together, stretch.mix))
    length = min(round(LAG_STRETCH_SECONDS * rate_hz), len(together))
    # From the middle: beginnings and ends of songs are thin.
    middle = slice((len(together) - length) // 2, (len(together) + length) // 2)
    lag = find_lag(
        together[middle].astype(np.float64), mix[middle].astype(np.float64), round(LONGEST_LAG_SECONDS * rate_hz)
    )
    return Lag(lag.frames / rate_hz, lag.correlation, lag.gain)


def trial_of(stretch: LowStretch, number: int, look: Look, lag: Lag) -> HighPassTrial | None:
    """The part in the mix where the mix can be lined up with the parts, otherwise in their sum.

    None without a lowest note or without a second of captured sound.
    """
    captured = stretch.captured.of(number) if np.isfinite(look.note.floor_hz) else None
    if captured is None:
        return None
    own, mix, gain = captured.own, captured.together, 1.0
    if lag.sure and captured.mix is not None:
        own, mix = _lined_up(captured, captured.mix, round(lag.frames * stretch.rate_hz))
        gain = lag.gain
    return HighPassTrial(own, mix, stretch.rate_hz, look.note.floor_hz, gain) if len(own) >= stretch.rate_hz else None


def _lined_up(captured: Captured, mix: FloatArray, late: int) -> tuple[FloatArray, FloatArray]:
    """Part and mix with the mix's delay of ``late`` frames taken out, shorter by as much."""
    frames = max(0, len(captured.own) - abs(late))
    own_from, mix_from = max(-late, 0), max(late, 0)
    return captured.own[own_from : own_from + frames], mix[mix_from : mix_from + frames]


def offer(look: Look, slope: int, cutoff_hz: float | None, trial: HighPassTrial | None, rate_hz: int) -> Offer:
    """One high-pass with its price, and what it changed where it was tried. Needs a lowest note."""
    cost = price(look.note.offer_hz, slope, cutoff_hz, look.rumble.power, look.rumble.frequency_hz)
    possible = trial is not None and LOWEST_CUTOFF_HZ <= cost.cutoff_hz < rate_hz / 2.0
    tried = trial.try_cutoff(slope, cost.cutoff_hz) if trial is not None and possible else NOT_TRIED
    return Offer(
        slope, cost.cutoff_hz, cost.loss_at_floor_db, cost.phase_lead_degrees, cost.delay_cycles,
        cost.rumble_removed_percent, tried.true_peak_change_db, tried.mix_true_peak_change_db,
        tried.mix_low_band_change_db, decay_change_ms(tried, look.decay),
    )  # fmt: skip


def offers(look: Look, cutoff_hz: float | None, trial: HighPassTrial | None, rate_hz: int) -> tuple[Offer, ...]:
    """One high-pass of each slope; none without a lowest note. ``cutoff_hz`` replaces the highest affordable one."""
    if not np.isfinite(look.note.floor_hz):
        return ()
    return tuple(offer(look, slope, cutoff_hz, trial, rate_hz) for slope in SLOPES_DB_PER_OCTAVE)


def with_changes_of(offered: Sequence[Offer], before: Sequence[Offer]) -> tuple[Offer, ...]:
    """Offers that were not tried now, with the changes that were found when they last were."""
    if len(offered) != len(before):
        return tuple(offered)
    return tuple(
        replace(
            new,
            true_peak_change_db=old.true_peak_change_db,
            mix_true_peak_change_db=old.mix_true_peak_change_db,
            mix_low_band_change_db=old.mix_low_band_change_db,
            ring_change_ms=old.ring_change_ms,
        )
        for new, old in zip(offered, before, strict=True)
    )
