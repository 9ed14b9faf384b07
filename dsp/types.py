"""What every processor in this package is: prepare, process, skip, read by its own properties, reset."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]

TICKS_PER_SECOND = 100
"""The grid of all windows: 10 ms. Momentary loudness at 10 Hz fails EBU Tech 3341 case 13, at 100 Hz not."""

DEFAULT_ROLES: dict[int, tuple[str, ...]] = {
    1: ("M",),
    2: ("L", "R"),
    3: ("L", "R", "C"),
    4: ("L", "R", "Ls", "Rs"),
    5: ("L", "R", "C", "Ls", "Rs"),
    6: ("L", "R", "C", "LFE", "Ls", "Rs"),
    8: ("L", "R", "C", "LFE", "Ls", "Rs", "Lb", "Rb"),
}
"""Channel order of a plain file by channel count (common practice for PCM files); others are numbered."""


def default_roles(channels: int) -> tuple[str, ...]:
    """Role names for ``channels`` channels in file order; channels without a usual role are ``"1"``, ``"2"``…"""
    return DEFAULT_ROLES.get(channels) or tuple(str(number + 1) for number in range(channels))


@dataclass(frozen=True)
class Spec:
    """What stays constant from one ``prepare`` to the next.

    ``rate_hz`` is frames per second, ``channels`` at least 1, ``roles`` one name per channel
    (``"L"``, ``"R"``, ``"C"``, ``"LFE"``, ``"Ls"``, ``"Rs"``, ``"M"`` or a number). ``feeds`` names the columns of
    each feed of the source, in order; it is for processors that listen to all of them.
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
