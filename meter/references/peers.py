"""Reference libraries for the bench: loudness, range and true peak of a whole stereo file."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meter.references import ebur128

BLOCK_FRAMES = 4800
"""0.1 s at 48 kHz: momentary and short-term are read once a block, as a meter at 10 Hz does."""


@dataclass(frozen=True)
class Peer:
    """A reference library; ``missing`` returns one sentence if it is not installed, otherwise empty."""

    name: str
    missing: Callable[[], str]
    measure: Callable[[NDArray[np.float32], int], object]


def _ebur128_missing() -> str:
    return "" if ebur128.available() else "libebur128 is not installed (Debian: apt install libebur128-1)"


def _measure_by_ebur128(sound: NDArray[np.float32], rate_hz: int) -> tuple[float, float, float]:
    with ebur128.Ebur128(sound.shape[1], rate_hz) as state:
        for start in range(0, len(sound), BLOCK_FRAMES):
            state.push(sound[start : start + BLOCK_FRAMES])
            _ = state.momentary, state.short_term
        return state.integrated, state.loudness_range, state.true_peak


def _ffmpeg_missing() -> str:
    return "" if importlib.util.find_spec("av") else "PyAV is not installed (pip install av)"


def _measure_by_ffmpeg(sound: NDArray[np.float32], rate_hz: int) -> dict[str, float]:
    from meter.references import ffmpeg_loudness

    return ffmpeg_loudness.measure(sound, rate_hz)


PEERS = (
    Peer("libebur128", _ebur128_missing, _measure_by_ebur128),
    Peer("ffmpeg", _ffmpeg_missing, _measure_by_ffmpeg),
)
