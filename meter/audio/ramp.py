"""A loop that rises from a low level to its full level, never above, and ends with a fade. No device, no clock.

The gain is computed for each frame, so any block size gives the same sound. Full scale is 1.0.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from meter.calibration.noise_levels import CAP_DBFS_RMS, START_DBFS_RMS

Samples = NDArray[np.float32]

RISE_DB_PER_SECOND = 1.5
"""Twenty seconds from the start to the cap: time to turn down, or to stop."""
FADE_SECONDS = 0.03
CEILING = 0.5
"""Largest absolute sample value of any loop; noise at the cap peaks about 6 dB below."""
CAP_TOLERANCE_DB = 0.05
SINE_DB = 10.0 * math.log10(2.0)


def rms_dbfs(samples: NDArray[np.floating]) -> float:
    """Level of the loudest channel of ``(frames, channels)`` where a full-scale sine reads 0; silence is -inf."""
    power = float(np.mean(np.square(samples, dtype=np.float64), axis=0).max()) if samples.size else 0.0
    return 10.0 * math.log10(power) + SINE_DB if power > 0.0 else -math.inf


class RampedLoop:
    """``fill`` writes the next frames. ``loop`` is ``(frames, channels)`` at the level of the cap or below.

    Raises ValueError for a loop that is louder than that, or that is empty or not finite.
    """

    def __init__(self, loop: Samples, rate_hz: int) -> None:
        if loop.ndim != 2 or not loop.size or not np.isfinite(loop).all():
            raise ValueError("The noise to be played is empty or broken.")
        self._full_dbfs = rms_dbfs(loop)
        if self._full_dbfs > CAP_DBFS_RMS + CAP_TOLERANCE_DB:
            raise ValueError(f"The noise is at {self._full_dbfs:.1f} dBFS, over the cap of {CAP_DBFS_RMS:g} dBFS.")
        self._loop = loop
        self._rate_hz = rate_hz
        self._fade_frames = max(1, round(FADE_SECONDS * rate_hz))
        self._played = 0
        self._risen = 0
        self._held = False
        self._stopping = False
        self._left = self._fade_frames

    @property
    def finished(self) -> bool:
        """True after the fade that ``stop`` starts; the output is silent from then on."""
        return self._stopping and self._left <= 0

    @property
    def level_dbfs(self) -> float:
        """The present level in dBFS, rising or held."""
        return min(self._full_dbfs, float(self._level(self._risen)))

    @property
    def rising(self) -> bool:
        """True while the level is rising; False when it is held or at its full level."""
        return not self._held and self.level_dbfs < self._full_dbfs

    def hold(self, held: bool) -> None:
        """Hold the level, or let it rise again. [any]"""
        self._held = held

    def stop(self) -> None:
        """Fade out from the next frame on; may be called twice. [any]"""
        self._stopping = True

    def fill(self, out: Samples) -> None:
        """Write the next frames into ``(frames, channels)``."""
        frames = np.arange(len(out))
        # Read once: another thread may change them meanwhile.
        held, stopping = self._held, self._stopping
        risen = np.full(len(out), self._risen) if held else self._risen + frames
        gain = 10.0 ** ((np.minimum(self._level(risen), self._full_dbfs) - self._full_dbfs) / 20.0)
        gain *= np.minimum(1.0, (self._played + frames) / self._fade_frames)
        if stopping:
            gain *= np.clip((self._left - frames) / self._fade_frames, 0.0, 1.0)
            self._left -= len(out)
        places = (self._played + frames) % len(self._loop)
        np.clip(self._loop[places] * gain[:, None], -CEILING, CEILING, out=out)
        self._played += len(out)
        if not held:
            self._risen += len(out)

    def _level(self, frames: int | NDArray[np.intp]) -> NDArray[np.float64]:
        return np.asarray(START_DBFS_RMS + RISE_DB_PER_SECOND * frames / self._rate_hz)
