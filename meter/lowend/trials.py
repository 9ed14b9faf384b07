"""The high-passes of each part: their price, and what they did to the ten seconds in which the part is loudest."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dsp.core.lag import Lag, find_lag
from dsp.lowend.decay import Ring
from dsp.lowend.high_pass import SLOPES_DB_PER_OCTAVE, price
from dsp.lowend.high_pass_trial import LOWEST_CUTOFF_HZ, HighPassTrial, Trial, ring_change_ms
from dsp.lowend.low_part import Rumble
from dsp.lowend.lowest_note import LowestNote
from meter.lowend.gather import Gathered
from meter.lowend.loudest import Stretch
from meter.lowend.result import Offer

LONGEST_LAG_SECONDS = 0.25
LAG_STRETCH_SECONDS = 20.0
NOT_TRIED = Trial(*[float("nan")] * 4)


def lag_of_mix(found: Gathered) -> Lag:
    """How the mix lags the sum of the parts, ``frames`` in seconds; not sure without a mix."""
    if found.mix is None:
        return Lag(0.0, 0.0, 0.0)
    rate_hz = found.sum.rate_hz
    together, mix = (np.nan_to_num(part.kept()) for part in (found.sum, found.mix))
    length = min(round(LAG_STRETCH_SECONDS * rate_hz), len(together))
    # From the middle: beginnings and ends of songs are thin.
    middle = slice((len(together) - length) // 2, (len(together) + length) // 2)
    lag = find_lag(
        together[middle].astype(np.float64), mix[middle].astype(np.float64), round(LONGEST_LAG_SECONDS * rate_hz)
    )
    return Lag(lag.frames / rate_hz, lag.correlation, lag.gain)


def offers(
    found: Gathered,
    floors: Sequence[LowestNote],
    rumbles: Sequence[Rumble],
    rings: Sequence[Ring],
    lag: Lag,
    cutoff_hz: float | None,
) -> list[tuple[Offer, ...]]:
    """High-passes of each part, none for one without a floor. ``cutoff_hz`` replaces the highest affordable one."""
    return [
        _offers_of(floor, rumble, ring, _trial(found, number, floor, lag), cutoff_hz, found.rate_hz)
        for number, (floor, rumble, ring) in enumerate(zip(floors, rumbles, rings, strict=True))
    ]


def _trial(found: Gathered, number: int, floor: LowestNote, lag: Lag) -> HighPassTrial | None:
    """The part in the mix where the mix can be lined up with the parts, else in their sum."""
    if not np.isfinite(floor.floor_hz):
        return None
    stretch = found.loudest.of(number)
    if lag.sure and stretch.mix is not None:
        own, mix = _lined_up(stretch, round(lag.frames * found.rate_hz))
        gain = lag.gain
    else:
        own, mix, gain = stretch.own, stretch.together, 1.0
    if len(own) < found.rate_hz:
        return None
    return HighPassTrial(own, mix, found.rate_hz, floor.floor_hz, gain)


def _lined_up(stretch: Stretch, late: int) -> tuple[np.ndarray, np.ndarray]:
    """Part and mix with the mix's delay of ``late`` frames taken out, shorter by as much."""
    assert stretch.mix is not None
    frames = len(stretch.own) - abs(late)
    own_from, mix_from = max(-late, 0), max(late, 0)
    return stretch.own[own_from : own_from + frames], stretch.mix[mix_from : mix_from + frames]


def _offers_of(
    floor: LowestNote,
    rumble: Rumble,
    ring: Ring,
    trial: HighPassTrial | None,
    cutoff_hz: float | None,
    rate_hz: int,
) -> tuple[Offer, ...]:
    if not np.isfinite(floor.floor_hz):
        return ()
    made = []
    for slope in SLOPES_DB_PER_OCTAVE:
        cost = price(floor.offer_hz, slope, cutoff_hz, rumble.power, rumble.frequency_hz)
        possible = trial is not None and LOWEST_CUTOFF_HZ <= cost.cutoff_hz < rate_hz / 2.0
        tried = trial.try_cutoff(slope, cost.cutoff_hz) if trial is not None and possible else NOT_TRIED
        made.append(
            Offer(
                slope, cost.cutoff_hz, cost.loss_at_floor_db, cost.phase_lead_degrees, cost.delay_cycles,
                cost.rumble_removed_percent, tried.true_peak_change_db, tried.mix_true_peak_change_db,
                tried.mix_low_band_change_db, ring_change_ms(tried, ring),
            )
        )  # fmt: skip
    return tuple(made)
