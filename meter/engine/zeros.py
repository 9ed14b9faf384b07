"""Nothing but digital zeros from a device: told after a while, since it looks like silence and is a fault."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

ZEROS_SECONDS = 5.0
ONLY_ZEROS = (
    "Nothing but digital zeros has come for 5 s; check what is connected, and on macOS whether the terminal may use "
    "the microphone."
)
"""Without the microphone permission macOS opens the stream and delivers zeros, no error."""


class ZerosWatch:
    """Listens from the opening of a source until the first sample that is not zero; only devices are watched."""

    def __init__(self, kind: str, rate_hz: int) -> None:
        self._zeros = kind == "device"
        self._frames_left = ZEROS_SECONDS * rate_hz

    def hear(self, block: NDArray[np.floating[Any]]) -> None:
        """Take ``(frames, channels)``."""
        self._zeros = self._zeros and not block.any()
        self._frames_left -= len(block)

    @property
    def sentence(self) -> str:
        """What to say, or an empty string."""
        return ONLY_ZEROS if self._zeros and self._frames_left < 0 else ""
