"""Points of the x/y picture of a pair, turned by 45 degrees: mono is upright.

Up is (L + R) / sqrt 2, across is (R - L) / sqrt 2: identical channels draw an upright line, inverted ones a level
line, a sound on the left only a line that leans to the left. Energy is unchanged: across^2 + up^2 = L^2 + R^2.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray

POINTS = 512
HALF_POWER = sqrt(0.5)
SPAN_SECONDS = (3, 10)
"""The span as a fraction, 0.3 s: exact frames at any rate."""


class StereoPicture:
    """``POINTS`` evenly spaced frames of the last 0.3 s, the same at any block size; NaN where lost or not yet."""

    def __init__(self, rate_hz: int) -> None:
        self._step = (SPAN_SECONDS[0] * rate_hz, SPAN_SECONDS[1] * POINTS)
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._frame = 0
        self._next = 0
        self._points = np.full((2, POINTS), np.nan)

    def process(self, pair: FloatArray) -> None:
        """Take ``(frames, 2)``, left and right."""
        numbers = self._advance(len(pair))
        if len(numbers):
            frames = numbers * self._step[0] // self._step[1] - (self._frame - len(pair))
            left, right = pair[frames].T
            self._push(np.stack([right - left, left + right]) * HALF_POWER)

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        numbers = self._advance(max(0, frames))
        self._push(np.full((2, len(numbers)), np.nan))

    def across_up(self) -> FloatArray:
        """``(2, POINTS)``: across, then up, oldest first."""
        return self._points

    def _advance(self, frames: int) -> NDArray[np.int64]:
        """Numbers of the points in the next ``frames`` frames, at most the last ``POINTS``."""
        self._frame += frames
        after = -(-self._frame * self._step[1] // self._step[0])
        numbers = np.arange(max(self._next, after - POINTS), after)
        self._next = after
        return numbers

    def _push(self, points: FloatArray) -> None:
        self._points = np.concatenate([self._points[:, points.shape[1] :], points], axis=1)
