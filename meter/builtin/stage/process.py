"""Before and after a stage: peaks and levels of both sides, and the sound that the study looks back at.

The block holds the channels before, then as many after.
"""

from __future__ import annotations

import numpy as np

from dsp.core.saved_state import inside, of
from dsp.core.types import check_block
from dsp.core.units import amplitude_to_db
from dsp.level.ballistics import VolumeIndicator
from dsp.peak.peak_meter import PeakMeter
from dsp.stage.pair_sound import PairSound, PairStretch
from meter.plugin.api import FloatArray, Readout, SavedState, Settings, Spec

HOLD_SECONDS = 1.0
SLOWER = 4
"""A needle that takes 300 ms to rise moves alike on means of so many frames."""
NOT_YET = np.full(2, np.nan)


class Stage:
    """Processor of the manifest beside it, for a pair of one or two channels each."""

    def configure(self, settings: Settings) -> None:
        """No settings."""

    def prepare(self, spec: Spec) -> None:
        """Size all state; also means reset."""
        self._spec = spec
        self._every = SLOWER if spec.rate_hz % SLOWER == 0 else 1
        self._levels = VolumeIndicator(spec.rate_hz // self._every, spec.channels)
        self._peaks = PeakMeter(spec, HOLD_SECONDS)
        self._sound = PairSound(spec.rate_hz, spec.channels)
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._levels.reset()
        self._peaks.reset()
        self._sound.reset()
        self._highest = np.zeros(2)
        self._rest = np.empty((0, self._spec.channels))
        self._heard = False

    def mark(self) -> None:
        """The changes since the mark begin here."""
        self._sound.mark()

    def process(self, block: FloatArray) -> None:
        """Feed ``(frames, channels)``."""
        check_block(block, self._spec.channels)
        if not len(block):
            return
        self._heard = True
        self._move(block)
        self._peaks.push(block)
        self._sound.push(block)

    def _move(self, block: FloatArray) -> None:
        """Move the needles, on means of a few frames of the rectified sound: a quarter of the cost."""
        joined = np.concatenate([self._rest, block]) if len(self._rest) else block
        whole = len(joined) // self._every * self._every
        self._rest = joined[whole:].copy()
        if not whole:
            return
        rectified = np.abs(joined[:whole])
        means = rectified[:: self._every] / self._every
        for start in range(1, self._every):
            means += rectified[start :: self._every] / self._every
        self._highest = np.maximum(self._highest, self._of_sides(self._levels.process(means).max(axis=0)))

    def skip(self, frames: int) -> None:
        """Account for lost frames: what is on both sides of them does not follow on."""
        self._peaks.skip(frames)
        self._sound.skip(frames)

    def read(self, out: Readout) -> None:
        """Write all fields."""
        known = self._heard
        out["true_max"] = self._of_sides(self._peaks.true_max_each) if known else NOT_YET
        out["level"] = amplitude_to_db(self._of_sides(self._levels.now)) if known else NOT_YET
        out["level_max"] = amplitude_to_db(self._highest) if known else NOT_YET

    def stretch(self, _study: str) -> PairStretch | None:
        """The sound of the last phrase; None while nothing is new."""
        return self._sound.stretch()

    def save_state(self) -> SavedState:
        """The highest values since the reset."""
        return {"heard": self._heard, "highest": self._highest, **inside("peaks", self._peaks.save_state())}

    def restore_state(self, kept: SavedState) -> None:
        """Continue from ``save_state``; the sound itself is not kept."""
        self._heard = bool(kept["heard"])
        self._highest = np.array(kept["highest"])
        self._peaks.restore_state(of("peaks", kept))

    def _of_sides(self, values: FloatArray) -> FloatArray:
        """The higher channel of each side, ``(2,)``."""
        return np.asarray(values.reshape(2, -1).max(axis=1))
