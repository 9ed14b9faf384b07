"""Level of each channel of the source, mapped to a feed or not."""

from __future__ import annotations

import numpy as np

from dsp.core.types import TICKS_PER_SECOND
from dsp.core.units import amplitude_to_db
from dsp.core.windows import TickMaxima
from meter.plugin.api import FloatArray, Readout, SavedState, Settings, Spec

FALL_DB_PER_SECOND = 20.0
LONGEST_GAP_SECONDS = 10
"""Levels have fallen by 200 dB after this time; a longer gap is treated as this long."""
FALL_PER_TICK = 10.0 ** (-FALL_DB_PER_SECOND / TICKS_PER_SECOND / 20.0)


class Channels:
    """Processor of the manifest beside it. Levels are sample peaks: minus infinity is digital silence."""

    def configure(self, settings: Settings) -> None:
        """No settings."""

    def prepare(self, spec: Spec) -> None:
        """Size all state; also means reset."""
        self._ticks = TickMaxima(spec.rate_hz, spec.channels)
        self._channels = spec.channels
        self._longest_gap_frames = LONGEST_GAP_SECONDS * spec.rate_hz
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._ticks.reset()
        self._level = np.full(self._channels, np.nan)
        self._highest = np.full(self._channels, np.nan)

    def process(self, block: FloatArray) -> None:
        """Feed ``(frames, channels)``."""
        self._take(self._ticks.push(np.abs(block)))

    def skip(self, frames: int) -> None:
        """Account for lost frames: levels fall as in silence."""
        self._take(self._ticks.skip(min(frames, self._longest_gap_frames)))

    def read(self, out: Readout) -> None:
        """Write all fields."""
        out["level"] = amplitude_to_db(self._level)
        out["highest"] = amplitude_to_db(self._highest)

    def save_state(self) -> SavedState:
        """Maxima since reset."""
        return {"highest": self._highest.copy()}

    def restore_state(self, kept: SavedState) -> None:
        """Go on from what ``save_state`` gave."""
        self._highest[:] = kept["highest"]

    def _take(self, peaks: FloatArray) -> None:
        # A tick that touches a gap is NaN and counts as silence.
        for peak in np.nan_to_num(peaks):
            self._level = np.fmax(self._level * FALL_PER_TICK, peak)
            self._highest = np.fmax(self._highest, peak)
