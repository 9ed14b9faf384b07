"""Width: correlation, balance and the x/y picture of left and right."""

from __future__ import annotations

import numpy as np

from dsp.core.saved_state import inside, of
from dsp.lowend.fold_down import LowFoldDown
from dsp.lowend.low_band import LOW_END_HZ
from dsp.stereo.correlation import Correlation, balance_db_from, correlation_from, covariances, pair_columns
from dsp.stereo.mono_bands import MONO_BANDS_HZ, MonoBands
from dsp.stereo.stereo_picture import StereoPicture
from meter.plugin.api import FloatArray, Readout, SavedState, Settings, Spec

ABOVE_LOWS = slice(1, None)
"""The first of ``MONO_BANDS_HZ`` is the low end, which has a meter of its own."""
MONO_SECONDS = 3.0


class Stereo:
    """Processor of the manifest beside it. A feed of one channel reads "not yet" throughout.

    ``correlation`` and ``balance`` have means removed and an energy gate (``energy_gate``), judged every 50 ms;
    values since reset are weighted by energy. ``picture`` holds 512 values across, (R - L) / sqrt 2, then 512
    up, (L + R) / sqrt 2, oldest first (``stereo_picture``); points not yet heard or lost are NaN.
    """

    def __init__(self) -> None:
        self._columns: list[int] | None = None

    def configure(self, settings: Settings) -> None:
        """No settings."""

    def prepare(self, spec: Spec) -> None:
        """Size all state; also means reset."""
        self._columns = pair_columns(spec)
        self._straight = self._columns == list(range(spec.channels))
        self._whole = Correlation(spec.rate_hz)
        self._low = LowFoldDown(spec.rate_hz, (LOW_END_HZ,))
        self._picture = StereoPicture(spec.rate_hz)
        self._mono = MonoBands(spec.rate_hz, MONO_SECONDS)
        self._edges_hz = np.array(MONO_BANDS_HZ)[ABOVE_LOWS]
        self._values: dict[str, float] = {}

    def process(self, block: FloatArray) -> None:
        """Feed ``(frames, channels)``."""
        if self._columns is None:
            return
        pair = block if self._straight else block[:, self._columns]
        if self._whole.process(pair) + self._low.process(pair):
            self._values = {}
        self._picture.process(pair)
        self._mono.process(pair)

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        if self._columns is None:
            return
        if self._whole.skip(frames) + self._low.skip(frames):
            self._values = {}
        self._picture.skip(frames)
        self._mono.skip(frames)

    def read(self, out: Readout) -> None:
        """Write all fields."""
        if self._columns is None:
            out.blank()
            return
        for key, value in (self._values or self._evaluate()).items():
            out[key] = value
        out["picture"] = self._picture.across_up().ravel()
        out["mono_low_edge"], out["mono_high_edge"] = self._edges_hz.T
        out["mono_loss"] = self._mono.loss_db()[ABOVE_LOWS]

    def reset(self) -> None:
        """Forget the signal."""
        if self._columns is None:
            return
        self._whole.reset()
        self._low.reset()
        self._picture.reset()
        self._mono.reset()
        self._values = {}

    def save_state(self) -> SavedState:
        """Sums since reset."""
        return {**inside("whole", self._whole.save_state()), **inside("low", self._low.save_state())}

    def restore_state(self, kept: SavedState) -> None:
        """Go on from what ``save_state`` gave."""
        self._whole.restore_state(of("whole", kept))
        self._low.restore_state(of("low", kept))
        self._values = {}

    def _evaluate(self) -> dict[str, float]:
        """Figures of the last hop, cached until the next hop."""
        whole = [self._whole.since_reset_sums(), self._whole.quick_sums, self._whole.steady_sums]
        low = [self._low.since_reset_sums()[0], self._low.steady_sums[0]]
        parts = covariances(np.stack([*whole, *low]))
        correlations = correlation_from(parts)
        balances = balance_db_from(parts[:3])
        self._values = {
            "correlation": float(correlations[0]),
            "correlation_now": float(correlations[1]),
            "balance": float(balances[0]),
            "balance_now": float(balances[2]),
            "low_correlation": float(correlations[3]),
            "low_correlation_now": float(correlations[4]),
            "age": self._whole.age_seconds,
        }
        return self._values
