"""The mix against references: the processor keeps one-second rows of the mix while references are chosen."""

from __future__ import annotations

import math

from dsp.reference.section_history import SectionHistory
from dsp.reference.sections import Sections
from dsp.stereo.correlation import pair_columns
from meter.plugin.api import FloatArray, Readout, SavedState, Settings, Spec

PREFIX = "reference_"


class Lane:
    """Processor of the manifest beside it. Of more than two channels it takes left and right."""

    def __init__(self) -> None:
        self._chosen = False
        self._history: SectionHistory | None = None

    def configure(self, settings: Settings) -> None:
        """Without a reference nothing is measured; with the first one it begins."""
        chosen = any(value for key, value in settings.items() if key.startswith(PREFIX))
        if chosen and not self._chosen and self._history is not None:
            self._history.reset()
        self._chosen = chosen

    def prepare(self, spec: Spec) -> None:
        """Size all state; also means reset."""
        self._columns = pair_columns(spec) or [0]
        self._all = len(self._columns) == spec.channels
        self._history = SectionHistory(spec.rate_hz, len(self._columns))

    def process(self, block: FloatArray) -> None:
        """Feed ``(frames, channels)``."""
        if self._chosen and self._history is not None:
            self._history.process(block if self._all else block[:, self._columns])

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        if self._chosen and self._history is not None:
            self._history.skip(frames)

    def read(self, out: Readout) -> None:
        """Write how much sound is there to compare."""
        measured = self._chosen and self._history is not None
        out["seconds"] = self._history.seconds if measured and self._history is not None else math.nan

    def stretch(self, _study: str) -> Sections | None:
        """The rows of the mix since R, also when none is new: the references are read meanwhile."""
        return self._history.sections() if self._history is not None else None

    def reset(self) -> None:
        """Forget the mix; references stay."""
        if self._history is not None:
            self._history.reset()

    def save_state(self) -> SavedState:
        """The rows since R."""
        return self._history.save_state() if self._history is not None else {}

    def restore_state(self, kept: SavedState) -> None:
        """Go on from what ``save_state`` gave."""
        if self._history is not None and kept:
            self._history.restore_state(kept)
