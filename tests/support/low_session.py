"""An invented session of low parts with planted truths, side by side as channels of one source.

Kick and bass hold nearly all of the lows; the keys rumble at 35 Hz under their lowest note; the lows of the guitars
are turned over on one side.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from dsp.core.types import FloatArray
from tests.support.low_parts import held, place, repeated, resonator, tone

BEAT_SECONDS = 0.5
TEMPO_BPM = 120.0
KICK_HZ, KICK_QUALITY = 62.0, 18.0
BASS_HZ = (41.203, 55.0, 61.735, 48.999)
KEYS_HZ = (130.81, 164.81, 196.0, 261.63)
RUMBLE_HZ, RUMBLE_DBFS = 35.0, -34.0
GUITARS_HZ = (82.407, 110.0)
BASS_LATE_SECONDS = 0.004

FEEDS: dict[str, tuple[int, ...]] = {
    "mix": (0, 1),
    "part kick": (2,),
    "part bass": (3,),
    "part keys": (4,),
    "part guitars": (5, 6),
    "part voice": (7,),
}
NAMES = tuple(name.removeprefix("part ") for name in FEEDS if name != "mix")
CHANNELS = 8


@cache
def session(seconds: float = 30.0) -> FloatArray:
    """``(frames, 8)`` at 48 kHz: the mix, which is the plain sum, then the parts; the voice is silent."""
    beats = int(seconds / BEAT_SECONDS)
    kick = place(repeated(resonator(KICK_HZ, KICK_QUALITY), beats, BEAT_SECONDS), seconds)
    bass = place(
        [(0.1 + BASS_LATE_SECONDS + BEAT_SECONDS * n, held(BASS_HZ[n % 4], 0.4, level=0.2)) for n in range(beats)],
        seconds,
    )
    keys = place(
        [(0.1 + BEAT_SECONDS * n, held(KEYS_HZ[(n // 2) % 4], 0.45, level=0.08)) for n in range(beats)], seconds
    )
    keys = keys + tone(RUMBLE_HZ, RUMBLE_DBFS, len(keys))
    guitars = place(
        [(0.35 + BEAT_SECONDS * n, held(GUITARS_HZ[n % 2], 0.4, level=0.04)) for n in range(beats - 1)], seconds
    )
    guitars = np.hstack([guitars, -guitars])
    voice = np.zeros((len(kick), 1))
    parts = [kick, bass, keys, guitars, voice]
    mix = np.sum([np.hstack([part, part]) if part.shape[1] == 1 else part for part in parts], axis=0)
    joined = np.hstack([mix, *parts])
    joined.flags.writeable = False
    return joined
