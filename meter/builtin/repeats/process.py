"""Stores the last two minutes of a feed, in which the study finds the repeats of a loop."""

from __future__ import annotations

from dsp.core.types import check_block
from dsp.passages.repeat_stream import RepeatStream, RepeatStretch
from meter.plugin.api import FloatArray, Readout, Settings, Spec


class LoopRepeats:
    """Processor of the manifest beside it, for any number of channels."""

    def configure(self, settings: Settings) -> None:
        """No settings."""

    def prepare(self, spec: Spec) -> None:
        """Size all state; also means reset."""
        self._spec = spec
        self._stream = RepeatStream(spec.rate_hz, spec.channels)

    def reset(self) -> None:
        """Forget the signal and the marks."""
        self.prepare(self._spec)

    def mark(self) -> None:
        """A switch, unless play begins here."""
        self._stream.mark()

    def process(self, block: FloatArray) -> None:
        """Feed ``(frames, channels)``."""
        check_block(block, self._spec.channels)
        self._stream.process(block)

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        self._stream.skip(frames)

    def read(self, out: Readout) -> None:
        """Write how much is kept."""
        out["held"] = self._stream.held_seconds

    def stretch(self, _study: str) -> RepeatStretch:
        """All that is kept."""
        return self._stream.stretch()
