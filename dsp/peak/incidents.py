"""Where in a stream something happened: the newest incidents, those close together as one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.core.saved_state import SavedState
from dsp.core.types import FloatArray

MOST = 40
"""Incidents that are kept; older ones are dropped."""

ONE_SECONDS = 1.0
"""Incidents within this time of the first are one with a count (our own choice): a loud bar is one line."""


class Incidents:
    """``table`` has a row for each: seconds into the stream, channel of the highest, highest value, how many."""

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Forget all."""
        self.table = np.full((MOST, 4), np.nan)

    def add(self, at: float, channel: int, value: float, count: int = 1) -> None:
        """Note ``count`` incidents at ``at`` seconds, not before the last one, the highest of ``value``."""
        table = self.table.copy()  # the one that was handed out does not change
        last = table[-1]
        if not at - last[0] < ONE_SECONDS:
            table[:-1] = table[1:]
            table[-1] = at, channel, value, count
        else:
            last[3] += count
            if value > last[2]:
                last[1], last[2] = channel, value
        self.table = table

    def add_equal(self, at: FloatArray, channels: NDArray[np.intp], value: float) -> None:
        """The same as ``add`` for each of ``at`` in order of time, ``(n,)``, all of one value."""
        while len(at):
            first = self.table[-1, 0]
            begin = first if at[0] - first < ONE_SECONDS else at[0]
            count = max(1, int(np.count_nonzero(at - begin < ONE_SECONDS)))
            self.add(float(at[0]), int(channels[0]), value, count)
            at, channels = at[count:], channels[count:]

    def raise_last(self, channel: int, value: float) -> None:
        """The last incident goes on and reaches ``value``."""
        if value > self.table[-1, 2]:
            self.table = self.table.copy()
            self.table[-1, 1:3] = channel, value

    def save_state(self) -> dict[str, FloatArray]:
        """The table."""
        return {"table": self.table}

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned."""
        self.table = np.array(kept["table"], dtype=np.float64)
