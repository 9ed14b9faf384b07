"""Low end in mono: loss of the fold-down, balance, and the band that loses most."""

from __future__ import annotations

from typing import Any

import numpy as np

from dsp.core.units import power_to_db
from dsp.lowend.fold_down import LowFoldDown, Verdict, bands_now_from, fold_down_loss_db_from, verdict
from dsp.lowend.low_band import SUB_BANDS_HZ
from dsp.stereo.correlation import balance_db_from, covariances, pair_columns, pair_power_from
from meter.plugin.api import FloatArray, Readout, SavedState, Settings, Spec

WHOLE = 0
"""Row of the whole low end, 20 to 120 Hz; the bands follow."""


class MonoLows:
    """Processor of the manifest beside it. A feed of one channel reads "not yet" throughout.

    Losses are 0 or negative decibels. Values over 3 s stay as they are while the low end is too quiet to
    judge, and ``age`` counts the seconds. Levels are referred to a full-scale sine in both channels.
    """

    def __init__(self) -> None:
        self._columns: list[int] | None = None

    def configure(self, settings: Settings) -> None:
        """No settings."""

    def prepare(self, spec: Spec) -> None:
        """Size all state; also means reset."""
        self._columns = pair_columns(spec)
        self._straight = self._columns == list(range(spec.channels))
        self._low = LowFoldDown(spec.rate_hz)
        self._edges_hz = np.array(SUB_BANDS_HZ)
        self._values: dict[str, Any] = {}

    def process(self, block: FloatArray) -> None:
        """Feed ``(frames, channels)``."""
        if self._columns is None:
            return
        if self._low.process(block if self._straight else block[:, self._columns]):
            self._values = {}

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        if self._columns is not None and self._low.skip(frames):
            self._values = {}

    def read(self, out: Readout) -> None:
        """Write all fields."""
        out["band_low_edge"] = self._edges_hz[:, 0]
        out["band_high_edge"] = self._edges_hz[:, 1]
        for key, value in (self._values or self._evaluate()).items():
            out[key] = value

    def reset(self) -> None:
        """Forget the signal."""
        self._low.reset()
        self._values = {}

    def mark(self) -> None:
        """Restart the figures since the mark."""
        self._low.mark()
        self._values = {}

    def save_state(self) -> SavedState:
        """Sums since reset and since the mark."""
        return self._low.save_state()

    def restore_state(self, kept: SavedState) -> None:
        """Go on from what ``save_state`` gave."""
        self._low.restore_state(kept)
        self._values = {}

    def _evaluate(self) -> dict[str, Any]:
        """Figures of the last hop, cached until the next hop."""
        since_reset, since_mark = (
            sums[WHOLE : WHOLE + 1] for sums in (self._low.since_reset_sums(), self._low.since_mark_sums())
        )
        # Row 0 is since reset, the last one since the mark; between are the last 3 s: the whole low end, its bands.
        parts = covariances(np.concatenate([since_reset, self._low.steady_sums, since_mark]))
        losses = fold_down_loss_db_from(parts[:2])
        balances = balance_db_from(parts[:2])
        bands = bands_now_from(parts[2:-1])
        stands = verdict(float(losses[1]), float(balances[1])) if self._columns else Verdict.NOT_YET
        self._values = {
            "fold_down_loss": losses[0],
            "balance": balances[0],
            "fold_down_loss_mark": fold_down_loss_db_from(parts[-1]),
            "balance_mark": balance_db_from(parts[-1]),
            "level_mark": power_to_db(float(pair_power_from(parts[-1]))),
            "loss_now": losses[1],
            "balance_now": balances[1],
            "level_now": power_to_db(float(pair_power_from(parts[1]))),
            "band_loss": bands.loss_db,
            "band_balance": bands.balance_db,
            "band_level": bands.level_dbfs,
            "band_votes": bands.votes,
            "worst_band": bands.worst,
            "verdict": float(stands),
            "age": self._low.age_seconds,
        }
        return self._values
