"""High-passes tried on captured audio piece by piece, so that a live chain never waits for them.

The same arithmetic as ``high_pass_trial`` does in one go: all cut-offs run side by side through one reading of
the stretch, and give the same changes.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.signal import butter, sosfilt, sosfilt_zi

from dsp.core.mid_rate import MidRate
from dsp.core.types import FloatArray, Spec
from dsp.core.units import power_to_db
from dsp.lowend.decay import ring
from dsp.lowend.high_pass import order_of
from dsp.lowend.high_pass_trial import LOWEST_CUTOFF_HZ, SETTLE_CYCLES, SETTLE_SECONDS, Trial
from dsp.lowend.low_band import LOW_END_HZ, LowBand
from dsp.peak.peak_meter import PeakMeter

SETTLED_SHARE = 0.1
"""Share of the stretch that is left out of the low-band figures while the filters settle."""

Cutoff = tuple[int, float]
"""Slope in dB per octave and cut-off in hertz."""


class TrialRun:
    """One part, ``channels`` wide, in a mix of two channels, over a stretch of ``frames`` frames.

    ``cutoffs`` are tried at once. Give all of the stretch to ``push`` in pieces, then ask ``result`` for each.
    ``gain_in_mix`` is what the mix bus makes of the part. Raises ValueError for a cut-off under 5 Hz or too high, or
    for a stretch under a second.
    """

    def __init__(
        self,
        rate_hz: int,
        frames: int,
        channels: int,
        cutoffs: Sequence[Cutoff],
        floor_hz: float = float("nan"),
        gain_in_mix: float = 1.0,
    ) -> None:
        if frames < rate_hz:
            raise ValueError("A high-pass needs at least a second of sound to be tried on.")
        for _, cutoff_hz in cutoffs:
            if not LOWEST_CUTOFF_HZ <= cutoff_hz < rate_hz / 2.0:
                raise ValueError(f"A cut-off of {cutoff_hz:g} Hz cannot be tried here; take one from 5 Hz up.")
        self._rate_hz, self._channels, self._gain_in_mix = rate_hz, channels, gain_in_mix
        self._filters = [butter(order_of(slope), hz, "highpass", fs=rate_hz, output="sos") for slope, hz in cutoffs]
        self._states: list[FloatArray] = []
        lowest = min((hz for _, hz in cutoffs), default=1.0)
        self._settle = round(max(SETTLE_SECONDS, SETTLE_CYCLES / lowest) * rate_hz)
        self._seen = 0
        self._peaks = PeakMeter(Spec(rate_hz, (channels + 2) * (1 + len(cutoffs))), hold_seconds=0.1)
        self._low = LowBand(rate_hz, 2 * (1 + len(cutoffs)), [LOW_END_HZ])
        self._hops_to_settle = int(SETTLED_SHARE * (frames // self._low.hop_frames))
        self._hops = 0
        self._low_power = np.zeros(1 + len(cutoffs))
        self._mid = MidRate(rate_hz, channels * (1 + len(cutoffs)))
        rings = np.isfinite(floor_hz) and floor_hz * np.sqrt(2.0) < self._mid.rate_hz / 2.0
        self._floor_hz = floor_hz if rings else float("nan")
        self._samples: list[FloatArray] = []
        self._ring_ms: dict[int, float] = {}

    def push(self, part: FloatArray, mix: FloatArray) -> None:
        """The next piece: ``(frames, channels)`` and ``(frames, 2)``, as long as each other."""
        variants, mixes = [part], [mix]
        for filtered in self._filtered(part):
            change = self._gain_in_mix * (filtered - part)
            variants.append(filtered)
            mixes.append(mix + change)
        parts, together = np.concatenate(variants, axis=1), np.concatenate(mixes, axis=1)
        skipped = min(len(part), max(0, self._settle - self._seen))
        self._seen += len(part)
        if skipped < len(part):
            self._peaks.push(np.concatenate([parts[skipped:], together[skipped:]], axis=1))
        self._take_lows(self._low.process(together))
        if np.isfinite(self._floor_hz):
            self._samples.append(self._mid.push(parts)[0])

    def result(self, number: int) -> Trial:
        """What cut-off ``number`` changed, filtered minus not; NaN where it cannot be said."""
        before, after = self._low_power[0], self._low_power[1 + number]
        change = power_to_db(float(after / before)) if before > 0.0 else float("nan")
        return Trial(
            self._peak_change(self._channels, 0, number),
            self._peak_change(2, self._channels * len(self._low_power), number),
            change,
            self._ring_of(1 + number) - self._ring_of(0),
        )

    def _filtered(self, part: FloatArray) -> list[FloatArray]:
        if not self._states:
            # As if the first frame had always stood: no click at the beginning.
            self._states = [sosfilt_zi(sos)[:, :, None] * part[0] for sos in self._filters]
        filtered = []
        for number, sos in enumerate(self._filters):
            signal, self._states[number] = sosfilt(sos, part, axis=0, zi=self._states[number])
            filtered.append(np.asarray(signal))
        return filtered

    def _take_lows(self, hops: FloatArray) -> None:
        for hop in hops:
            if self._hops >= self._hops_to_settle:
                power = (hop[0] ** 2).sum(axis=0)
                self._low_power += power.reshape(-1, 2).sum(axis=1)
            self._hops += 1

    def _peak_change(self, width: int, first: int, number: int) -> float:
        """Change of the highest true peak of ``width`` channels that lie from ``first`` on, variant by variant."""
        each = self._peaks.true_max_each[first:]
        before, after = (float(each[at * width : (at + 1) * width].max()) for at in (0, 1 + number))
        return after - before if np.isfinite(before) and np.isfinite(after) else float("nan")

    def _ring_of(self, variant: int) -> float:
        """Time to -20 dB of the part as it was (0) or filtered, milliseconds; NaN without enough hits."""
        if variant not in self._ring_ms:
            self._ring_ms[variant] = self._find_ring(variant)
        return self._ring_ms[variant]

    def _find_ring(self, variant: int) -> float:
        if not self._samples or (variant and not np.isfinite(self._ring_of(0))):
            return float("nan")
        columns = slice(variant * self._channels, (variant + 1) * self._channels)
        signal = np.concatenate([samples[:, columns] for samples in self._samples])
        return ring(signal, self._mid.rate_hz, self._floor_hz).to_minus_20_ms
