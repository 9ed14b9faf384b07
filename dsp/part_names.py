"""Which parts are the kick and the bass, by the names people give them (common practice, no source)."""

from __future__ import annotations

from collections.abc import Sequence

KICK_WORDS = ("kick", "bass drum", "bassdrum", "bass_drum")
DRUM_WORDS = ("drum",)
BASS_WORDS = ("bass", "sub")


def kick_and_bass(names: Sequence[str]) -> tuple[int | None, int | None]:
    """Indices of the kick, or else some drum, and of the bass; None where no name tells."""
    bass = _by_name(names, BASS_WORDS, KICK_WORDS)
    kick = _by_name(names, KICK_WORDS, ())
    return (_by_name(names, DRUM_WORDS, ()) if kick is None else kick), bass


def _by_name(names: Sequence[str], words: Sequence[str], but_not: Sequence[str]) -> int | None:
    for index, name in enumerate(names):
        plain = name.casefold()
        if any(word in plain for word in words) and not any(word in plain for word in but_not):
            return index
    return None
