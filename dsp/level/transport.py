"""When play starts and stops, from the sound alone: silence of two seconds is a stop.

A tick of 10 ms sounds when its peak lies above -60 dBFS and within 40 dB of what was loud, which falls by 0.5 dB a
second: the noise of a console after the music is a stop as well. A rest of two seconds within the music is taken for
a stop too; nothing in the sound tells them apart. All limits are our own choice.
"""

from __future__ import annotations

import math

import numpy as np

from dsp.core.types import CEILING, TICKS_PER_SECOND, FloatArray
from dsp.core.units import amplitude_to_db

STOP_TICKS = 2 * TICKS_PER_SECOND
GATE_DBFS = -60.0
SOUNDS_WITHIN_DB = 40.0
LOUD_FALLS_DB = 0.5 / TICKS_PER_SECOND


class Transport:
    """Follows one stream. ``plays`` is False before the first sound and after a stop."""

    def __init__(self, rate_hz: int) -> None:
        self._tick_frames = max(1, rate_hz // TICKS_PER_SECOND)
        self._rate_hz = rate_hz
        self._held = 0
        self._peak = 0.0
        self._loud_db = -math.inf
        self._silent_ticks = 0
        self.plays = False

    @property
    def silent_seconds(self) -> float:
        """Time since the last tick that sounded, of the frames pushed."""
        return self._silent_ticks * self._tick_frames / self._rate_hz

    def push(self, block: FloatArray) -> list[tuple[int, bool]]:
        """Take ``(frames, channels)``; returns turns: frame in the block, and True for a start, False for a stop.

        A start is placed before the tick that sounds, or at 0 when that tick began in an earlier block; a stop where
        it is noticed.
        """
        turns = []
        sizes = np.abs(block)
        begin = 0
        while begin < len(sizes):
            end = min(len(sizes), begin + self._tick_frames - self._held)
            self._held += end - begin
            self._peak = max(self._peak, _highest(sizes[begin:end]))
            if self._held == self._tick_frames:
                turned = self._end_tick()
                if turned is not None:
                    turns.append((max(0, end - self._tick_frames) if turned else end, turned))
            begin = end
        return turns

    def pause(self) -> bool:
        """No frames come any more: a stop; True if it was playing."""
        played, self.plays = self.plays, False
        return played

    def _end_tick(self) -> bool | None:
        """Judge the tick that is complete; True for a start, False for a stop."""
        level_db = amplitude_to_db(self._peak)
        self._held, self._peak = 0, 0.0
        self._loud_db = max(self._loud_db - LOUD_FALLS_DB, level_db)
        if level_db > max(GATE_DBFS, self._loud_db - SOUNDS_WITHIN_DB):
            self._silent_ticks = 0
            started, self.plays = not self.plays, True
            return True if started else None
        self._silent_ticks += 1
        if self.plays and self._silent_ticks >= STOP_TICKS:
            self.plays = False
            return False
        return None


def _highest(sizes: FloatArray) -> float:
    """The highest of magnitudes; invalid ones, which no meter hears, count as 0."""
    highest = float(sizes.max(initial=0.0))
    return highest if highest <= CEILING else float(np.where(sizes <= CEILING, sizes, 0.0).max())
