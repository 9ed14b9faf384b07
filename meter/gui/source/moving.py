"""Which channels move: those that began last and still carry a signal. No Qt."""

from __future__ import annotations

from collections.abc import Collection, Sequence

SIGNAL_DBFS = -60.0
"""A channel above this carries a signal."""
TOGETHER_SECONDS = 0.5
"""Channels that begin within this time of each other belong to one track."""


class Moving:
    """Follow the levels of all channels. Soloing a track starts its channels; the mix goes on, and so is left out."""

    def __init__(self) -> None:
        self._sounding: frozenset[int] = frozenset()
        self._began: frozenset[int] = frozenset()
        self._at = float("-inf")

    def follow(self, levels_dbfs: Sequence[float], seconds: float) -> tuple[int, ...]:
        """The places of the channels that move at ``seconds``, from 0; levels that are no number are silent."""
        now = frozenset(place for place, level in enumerate(levels_dbfs) if level > SIGNAL_DBFS)
        if begun := now - self._sounding:
            together = 0.0 <= seconds - self._at <= TOGETHER_SECONDS
            self._began = (self._began | begun) if together else begun
            self._at = self._at if together else seconds
        self._sounding = now
        self._began = self._began & now or now
        return tuple(sorted(self._began))


def moving_words(numbers: Sequence[int], names: Collection[str] = ()) -> str:
    """``Channels 5 and 6 move: guitars.``; ``numbers`` are channels from 1, ``names`` those they have."""
    if not numbers:
        return "Nothing moves. Play, and solo a track."
    listed = str(numbers[0]) if len(numbers) == 1 else f"{', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"
    known = f": {', '.join(names)}" if names else ""
    return f"Channel {listed} moves{known}." if len(numbers) == 1 else f"Channels {listed} move{known}."
