"""Tone drift: the tone of a passage now, re the first time it was heard in this sitting.

Every 10 s the last 10 s are searched for in the earlier sound. On a match the meter gives the change of the top and
of the lows re the middle; without one it gives nothing. R does not reset this meter.

The sound is compared, not the ear, and a change may be intended. Repeats of a passage in a song differ by a few
tenths of a decibel.
"""

from __future__ import annotations

import math

from dsp.passages.passages import PassageFollower
from meter.plugin.api import FloatArray, Readout, SavedState, Settings, Spec

VERDICTS = {"listening": 0.0, "no pattern": 1.0, "not heard before": 2.0, "same": 3.0}
COMPARED = ("heard_ago", "likeness", "top_change", "low_change", "level_change")


class Drift:
    """Processor of the manifest beside it, for any number of channels."""

    def configure(self, settings: Settings) -> None:
        """No settings."""

    def prepare(self, spec: Spec) -> None:
        """Size all state; also means reset."""
        self._follower = PassageFollower(spec.rate_hz, spec.channels)

    def process(self, block: FloatArray) -> None:
        """Feed ``(frames, channels)``."""
        self._follower.process(block)

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        self._follower.skip(frames)

    def read(self, out: Readout) -> None:
        """Write all fields."""
        same = self._follower.same
        out["verdict"] = VERDICTS[self._follower.outcome]
        out["remembered"] = self._follower.hours_remembered
        if same is None:
            for key in COMPARED:
                out[key] = math.nan
            return
        out["heard_ago"] = same.seconds_ago
        out["likeness"] = same.likeness
        out["top_change"] = same.top_change_db
        out["low_change"] = same.low_change_db
        out["level_change"] = same.level_change_db

    def reset(self) -> None:
        """Do nothing: later passages are compared with the whole sitting."""

    def save_state(self) -> SavedState:
        """The stored passages of the sitting."""
        return self._follower.save_state()

    def restore_state(self, kept: SavedState) -> None:
        """Go on from what ``save_state`` gave."""
        self._follower.restore_state(kept)
