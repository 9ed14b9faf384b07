"""Tone drift: the tone of a passage now, re the first time it was heard in this sitting.

The processor stores the sitting. Every 10 s the study searches it for the last 10 s. On a match it gives the change
of the top and of the lows re the middle; without one it gives nothing. R does not reset this meter.

The sound is compared, not the ear, and a change may be intended. Repeats of a passage in a song differ by a few
tenths of a decibel.
"""

from __future__ import annotations

from dsp.passages.passages import PassageStream, PassageStretch
from meter.plugin.api import FloatArray, Readout, SavedState, Settings, Spec


class Drift:
    """Processor of the manifest beside it, for any number of channels."""

    def configure(self, settings: Settings) -> None:
        """No settings."""

    def prepare(self, spec: Spec) -> None:
        """Size all state; also means reset."""
        self._stream = PassageStream(spec.rate_hz, spec.channels)

    def process(self, block: FloatArray) -> None:
        """Feed ``(frames, channels)``."""
        self._stream.process(block)

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        self._stream.skip(frames)

    def read(self, out: Readout) -> None:
        """Write how much is stored."""
        out["remembered"] = self._stream.hours_remembered

    def stretch(self, _study: str) -> PassageStretch | None:
        """The newest ten seconds and what is stored; None until the next ten are there."""
        return self._stream.stretch()

    def reset(self) -> None:
        """Do nothing: later passages are compared with the whole sitting."""

    def save_state(self) -> SavedState:
        """The stored passages of the sitting."""
        return self._stream.save_state()

    def restore_state(self, kept: SavedState) -> None:
        """Go on from what ``save_state`` gave."""
        self._stream.restore_state(kept)
