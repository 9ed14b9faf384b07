"""The one-second rows of a stream since its start, for a study that looks back at them."""

from __future__ import annotations

import numpy as np

from dsp.core.saved_state import SavedState
from dsp.core.types import FloatArray
from dsp.reference.sections import COLUMNS, Sections, SectionStream

MOST_ROWS = 1200
"""Twenty minutes; older rows are dropped."""


class SectionHistory:
    """Keeps the rows of a stream ``(frames, channels)`` of one or two channels, the newest last."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz, self._channels = rate_hz, channels
        self._stream = SectionStream(rate_hz, channels)
        self._rows = np.empty((0, COLUMNS))

    def reset(self) -> None:
        """Forget the signal."""
        self._stream.reset()
        self._rows = np.empty((0, COLUMNS))

    def save_state(self) -> SavedState:
        """The rows so far."""
        return {"rows": self._rows.astype(np.float32)}

    def restore_state(self, kept: SavedState) -> None:
        """Continue after what ``save_state`` returned; the open second is lost. Raises ValueError for other rows."""
        self._stream.reset()
        self._rows = np.asarray(kept["rows"], dtype=np.float64).reshape(-1, COLUMNS)[-MOST_ROWS:]

    def process(self, block: FloatArray) -> None:
        """Take a block."""
        rows = self._stream.process(block)
        if rows:
            self._rows = np.concatenate([self._rows, rows])[-MOST_ROWS:]

    def skip(self, frames: int) -> None:
        """Account for lost frames: the open second is dropped."""
        self._stream.skip(frames)

    @property
    def seconds(self) -> float:
        """Sound in the rows."""
        return float(len(self._rows) * self._stream.row_seconds)

    def sections(self) -> Sections:
        """All rows so far; later rows make a new array."""
        return Sections(self._rate_hz, self._channels == 2, self._stream.row_seconds, self._rows)
