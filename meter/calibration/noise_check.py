"""What the feed carries while calibration noise plays: is it there, alone, steady, and on the right side? No Qt."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from meter.calibration.level_at_seat import NOISE_DBFS_RMS, a_minus_c_db, weighted_db

FloatArray = NDArray[np.float64]

LEFT, RIGHT, BOTH = "left", "right", "both"
SIDES = (LEFT, RIGHT, BOTH)
WEIGHTINGS = ("A", "C")

STEADY_SECONDS = 5.0
STEADY_SPAN_DB = 1.0
"""Pink noise of 500 Hz to 2 kHz read over 1 s varies by about 0.1 dB (standard deviation, 1 / sqrt(bandwidth times
time)), so 5 s of it stay well within 1 dB; music does not."""
QUIETEST_FEED_DBFS = -60.0
"""Below this the noise is not playing, or so quietly that the room would be measured instead."""
APART_DB = 20.0
"""A channel so far below the loudest one carries none of the noise."""
NEAR_DB = 2.0
FAR_DB = 20.0
"""How far off its level the noise may be before that is told, and before it can be no such noise."""
SHAPE_DB = 0.8
"""How far off its A against C the noise may be: the two noises are 1.6 dB apart in that."""


class SeatFeed:
    """Collects readings on the audio clock: the level of each channel under A and under C, last second."""

    def __init__(self) -> None:
        self._readings: deque[tuple[float, FloatArray]] = deque()

    def add(self, seconds: float, a_dbfs: Sequence[float], c_dbfs: Sequence[float]) -> None:
        """One reading at ``seconds`` of the audio clock; time may start over, channels may change."""
        levels = np.array([a_dbfs, c_dbfs], dtype=np.float64)
        before = self._readings[-1] if self._readings else (seconds, levels)
        if seconds < before[0] or levels.shape != before[1].shape:
            self._readings.clear()
        if not levels.size or np.isnan(levels).any():
            self._readings.clear()
            return
        if self._readings and seconds == before[0]:
            return
        self._readings.append((seconds, levels))
        while seconds - self._readings[0][0] > STEADY_SECONDS:
            self._readings.popleft()

    def clear(self) -> None:
        """Forget all readings, as after a gap or while nothing is measured."""
        self._readings.clear()

    @property
    def channels(self) -> int:
        """Channels of the feed as last read; 0 before."""
        return self._readings[-1][1].shape[1] if self._readings else 0

    def levels(self, side: str, weighting: str) -> tuple[float, ...]:
        """Levels over the last five seconds of the channels that ``side`` stands for, one or two, in dBFS.

        Raises ValueError with one sentence where the noise does not play there, plays elsewhere, or is not steady.
        """
        if not self._readings:
            raise ValueError("No noise is heard yet; play the calibration noise.")
        self._check_sides(side)
        if self._readings[-1][0] - self._readings[0][0] < 0.9 * STEADY_SECONDS:
            raise ValueError("Listening for five seconds of steady noise…")
        row, columns = WEIGHTINGS.index(weighting), self._columns(side)
        levels = np.array([levels[row, columns] for _, levels in self._readings])
        if np.ptp(levels, axis=0).max() > STEADY_SPAN_DB:
            raise ValueError("The feed is not steady; play only the noise and leave its level alone.")
        return tuple(float(level) for level in 10.0 * np.log10(np.mean(10.0 ** (levels / 10.0), axis=0)))

    def remark(self, side: str, noise: str, played_dbfs: float = NOISE_DBFS_RMS) -> str:
        """One sentence where steady noise is not what it should be, else empty; raises ValueError as ``levels``.

        ``played_dbfs`` is the level at which it is played. Raises ValueError also where it is far off that.
        """
        a_dbfs, c_dbfs = self.levels(side, "A"), self.levels(side, "C")
        due = played_dbfs + weighted_db(noise, "A")
        off = max((level - due for level in a_dbfs), key=abs)
        told = f"The feed reads {a_dbfs[0]:.1f} dBFS(A) where this noise gives {due:.1f}".replace("-", "−")
        if abs(off) > FAR_DB:
            raise ValueError(f"{told}: that is something else, or far too quiet. Play the noise at its own level.")
        shape = max((a - c - a_minus_c_db(noise) for a, c in zip(a_dbfs, c_dbfs, strict=True)), key=abs)
        if abs(shape) > SHAPE_DB:
            return "This is not the noise chosen here: its balance of lows and highs is another. Choose what plays."
        if abs(off) > NEAR_DB:
            return f"{told}: a fader or volume stands between. The calibration holds only while that stays as it is."
        return ""

    def _columns(self, side: str) -> list[int]:
        if self.channels == 1:
            return [0]
        return {LEFT: [0], RIGHT: [1], BOTH: [0, 1]}[side]

    def _check_sides(self, side: str) -> None:
        now = self._readings[-1][1][0]
        if not now.max() >= QUIETEST_FEED_DBFS:
            raise ValueError("The feed is almost silent; play the calibration noise.")
        sounding = set(np.flatnonzero(now >= now.max() - APART_DB).tolist())
        wanted = set(self._columns(side))
        if sounding == wanted:
            return
        if sounding - {0, 1}:
            raise ValueError("Channels past the first two sound as well; let nothing but the noise play.")
        raise ValueError(_sides_sentence(side, sounding))


def _sides_sentence(side: str, sounding: set[int]) -> str:
    if side == BOTH:
        heard, dead = (LEFT, RIGHT) if sounding == {0} else (RIGHT, LEFT)
        return f"Only the {heard} channel carries noise; the {dead} one is dead, muted or not sent."
    if len(sounding) == 2:
        return f"Both channels have signal; stop the DAW's other tracks, this step needs the {side} channel alone."
    other = RIGHT if side == LEFT else LEFT
    return f"The noise is in the {other} channel; this step needs it in the {side} one."
