"""A high-pass tried on captured audio: what happens to peaks, to the lows of the mix, and to the decay of the part.

Predictions say nothing of peaks: a filter turns phase, and a part may come out with a higher peak than it went in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.core.mid_rate import MidRate
from dsp.core.types import FloatArray, Spec
from dsp.core.units import power_to_db
from dsp.lowend.decay import Decay, decay
from dsp.lowend.high_pass import apply, order_of
from dsp.lowend.low_band import LOW_END_HZ, LowBand
from dsp.peak.peak_meter import PeakMeter

SETTLE_SECONDS = 0.25
SETTLE_CYCLES = 4.0
"""The filter starts in the middle of the sound, so this much of the stretch is left out of every comparison."""
LOWEST_CUTOFF_HZ = 5.0


@dataclass(frozen=True)
class Trial:
    """Changes, filtered minus unfiltered. NaN where they cannot be measured (silence, too few hits).

    The mix figures are those of the mix, or the sum of the parts, with the filtered part put in.
    """

    true_peak_change_db: float
    mix_true_peak_change_db: float
    mix_low_band_change_db: float
    decay_change_ms: float


def decay_change_ms(trial: Trial, part: Decay) -> float:
    """What a trial changed of the part's decay; NaN where the decay itself is not given."""
    return trial.decay_change_ms if np.isfinite(part.to_minus_20_ms) else float("nan")


class HighPassTrial:
    """One stretch of a part and of the mix that holds it, both ``(frames, 1 or 2)`` at ``rate_hz`` and in step.

    ``gain_in_mix`` is what the mix bus makes of the part, negative if it turns it over. ``try_cutoff`` may be called
    for any slope and cut-off; what does not change is worked out once.
    Raises ValueError when the stretches differ in length or are shorter than a second.
    """

    def __init__(
        self,
        part: FloatArray,
        mix: FloatArray,
        rate_hz: int,
        floor_hz: float = float("nan"),
        gain_in_mix: float = 1.0,
    ) -> None:
        if len(part) != len(mix):
            raise ValueError(f"Part and mix have {len(part)} and {len(mix)} frames; give the same stretch of both.")
        if len(part) < rate_hz:
            raise ValueError("A high-pass needs at least a second of sound to be tried on.")
        self._part, self._mix, self._rate_hz, self._floor_hz = part, mix, rate_hz, floor_hz
        self._gain_in_mix = gain_in_mix
        self._low_mix = self._low_end(mix)
        self._peaks: dict[int, tuple[float, float]] = {}
        self._before_ms = self._decay_ms(part)

    def try_cutoff(self, slope_db_per_octave: int, cutoff_hz: float) -> Trial:
        """Run the filter over the stretch. Raises ValueError for one under 5 Hz or too high for the rate."""
        if not cutoff_hz >= LOWEST_CUTOFF_HZ:
            raise ValueError(f"A cut-off of {cutoff_hz:g} Hz is too low to be tried; take one from 5 Hz up.")
        filtered = apply(self._part, self._rate_hz, cutoff_hz, order_of(slope_db_per_octave))
        change = self._gain_in_mix * (filtered - self._part)
        mix = self._mix + (change if change.shape[1] == self._mix.shape[1] else change.mean(axis=1, keepdims=True))
        settle = round(max(SETTLE_SECONDS, SETTLE_CYCLES / cutoff_hz) * self._rate_hz)
        part_peak, mix_peak = self._peaks_after(settle)
        low_before, low_after = self._low_mix, self._low_end(mix)
        return Trial(
            _change_db(_true_peak_dbtp(filtered[settle:], self._rate_hz), part_peak),
            _change_db(_true_peak_dbtp(mix[settle:], self._rate_hz), mix_peak),
            power_to_db(low_after / low_before) if low_before > 0.0 else float("nan"),
            self._decay_ms(filtered) - self._before_ms if np.isfinite(self._before_ms) else float("nan"),
        )

    def _peaks_after(self, settle: int) -> tuple[float, float]:
        if settle not in self._peaks:
            parts = (self._part[settle:], self._mix[settle:])
            self._peaks[settle] = (_true_peak_dbtp(parts[0], self._rate_hz), _true_peak_dbtp(parts[1], self._rate_hz))
        return self._peaks[settle]

    def _low_end(self, signal: FloatArray) -> float:
        """Mean power in the low end after the filters have settled."""
        hops = LowBand(self._rate_hz, signal.shape[1], [LOW_END_HZ]).process(signal)
        settled = hops[len(hops) // 10 :]
        return float((settled**2).mean()) if settled.size else 0.0

    def _decay_ms(self, signal: FloatArray) -> float:
        mid = MidRate(self._rate_hz, signal.shape[1])
        if not np.isfinite(self._floor_hz) or self._floor_hz * np.sqrt(2.0) >= mid.rate_hz / 2.0:
            return float("nan")
        samples, _ = mid.push(signal)
        return decay(samples, mid.rate_hz, self._floor_hz).to_minus_20_ms


def _true_peak_dbtp(signal: FloatArray, rate_hz: int) -> float:
    meter = PeakMeter(Spec(rate_hz, signal.shape[1]), hold_seconds=0.1)
    meter.push(signal)
    return meter.true_max


def _change_db(after_dbtp: float, before_dbtp: float) -> float:
    both = np.isfinite(after_dbtp) and np.isfinite(before_dbtp)
    return after_dbtp - before_dbtp if both else float("nan")
