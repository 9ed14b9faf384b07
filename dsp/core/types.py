"""Array type, stream specification and the 10 ms grid that all processors share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from dsp.core.channel_roles import default_roles

FloatArray: TypeAlias = NDArray[np.float64]

TICKS_PER_SECOND = 100
"""The grid of all windows, 10 ms. Momentary loudness at 10 Hz fails EBU Tech 3341 case 13, at 100 Hz it passes."""

CEILING = 1000.0
"""+60 dBFS. Float sound may peak far above full scale before a fader brings it down; 40 dB over is still sound.
Integers of 16 bits that were left unscaled peak at +90 dBFS. The bound lies between the two (our own choice)."""


@dataclass(frozen=True)
class Spec:
    """Format of a stream, constant between two calls of ``prepare``.

    ``rate_hz`` is frames per second, ``channels`` at least 1, ``roles`` one name per channel (see
    ``channel_roles``; by default those usual for the count).
    ``feeds`` names the columns of each feed of the source, in order, for processors that take all of them.
    """

    rate_hz: int
    channels: int
    roles: tuple[str, ...] = field(default=())
    feeds: Mapping[str, tuple[int, ...]] = field(default_factory=dict, hash=False)

    def __post_init__(self) -> None:
        if self.rate_hz < 1000 or self.rate_hz > 768_000:
            raise ValueError(f"A rate of {self.rate_hz} Hz is outside 1,000 to 768,000 Hz.")
        if self.channels < 1:
            raise ValueError("A feed needs at least one channel.")
        if not self.roles:
            object.__setattr__(self, "roles", default_roles(self.channels))
        if len(self.roles) != self.channels:
            raise ValueError(f"{len(self.roles)} roles were given for {self.channels} channels.")


def tick_edge(tick: int, rate_hz: int) -> int:
    """First frame of tick number ``tick``; exact for any rate, so 11,025 Hz has ticks of 110 and 111 frames."""
    return tick * rate_hz // TICKS_PER_SECOND


def check_block(block: FloatArray, channels: int) -> None:
    """Raise ValueError unless ``block`` is ``(frames, channels)``."""
    if block.ndim != 2 or block.shape[1] != channels:
        raise ValueError(f"A block of shape (frames, {channels}) was expected, not {block.shape}.")
