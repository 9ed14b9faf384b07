"""Which parts are the kick and the bass: by the names people give them (common practice, no source), or by sound."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dsp.lowend.lowest_note import DRUM, PITCHED

KICK_WORDS = ("kick", "bass drum", "bassdrum")
DRUM_WORDS = ("drum",)
BASS_WORDS = ("bass", "sub")
ONE_PART, HELD_IN_ONE, NONE_FOUND = "one part", "held in one", "none found"


@dataclass(frozen=True)
class PairChoice:
    """``parts`` are the indices of kick and bass, always two different ones, or None with a ``doubt`` and ``reason``.

    ``doubt`` is empty, ``ONE_PART``, ``HELD_IN_ONE`` (one part is named after both) or ``NONE_FOUND``.
    """

    parts: tuple[int, int] | None
    doubt: str = ""
    reason: str = ""


def kick_and_bass(names: Sequence[str]) -> tuple[int | None, int | None]:
    """Indices of the kick, or a drum without one, and of the bass; None where no name tells. Never one part twice."""
    plain = [_plain(name) for name in names]
    kicks = [index for index, name in enumerate(plain) if _has(name, KICK_WORDS) and not _holds_both(name)]
    drums = [index for index, name in enumerate(plain) if _has(name, DRUM_WORDS) and not _holds_both(name)]
    struck = (*KICK_WORDS, *DRUM_WORDS)
    basses = [index for index, name in enumerate(plain) if _has(name, BASS_WORDS) and not _has(name, struck)]
    return next(iter([*kicks, *drums]), None), next(iter(basses), None)


def choose_pair(names: Sequence[str], strongest_first: Sequence[int], kinds: Sequence[str]) -> PairChoice:
    """Kick and bass as names tell, else the drum and the pitched part that hold most of the low end.

    ``strongest_first`` are indices of the parts that matter there, ``kinds`` those of all parts' lowest notes. A part
    named after both ("drums and bass") is neither, whatever it sounds like.
    """
    if len(names) < 2:
        return PairChoice(None, ONE_PART, "two parts are needed")
    both = [index for index, name in enumerate(names) if _holds_both(_plain(name))]
    heard = [index for index in strongest_first if index not in both]

    def strongest(kind: str, but_not: int | None) -> int | None:
        return next((at for at in heard if at != but_not and (not kind or kinds[at] == kind)), None)

    kick, bass = kick_and_bass(names)
    kick = strongest(DRUM, bass) if kick is None else kick
    bass = strongest(PITCHED, kick) if bass is None else bass
    kick = strongest("", bass) if kick is None else kick
    if kick is not None and bass is not None:
        return PairChoice((kick, bass))
    if both:
        return PairChoice(None, HELD_IN_ONE, f"“{names[both[0]]}” holds kick and bass in one part")
    return PairChoice(None, NONE_FOUND, "no two parts in the low end sound like kick and bass")


def _plain(name: str) -> str:
    return name.casefold().replace("_", " ").replace("-", " ")


def _has(name: str, words: Sequence[str]) -> bool:
    return any(word in name for word in words)


def _holds_both(name: str) -> bool:
    """Whether a name tells of drums and of a bass: "kick and bass", but neither "bass drum" nor "sub kick"."""
    rest = name
    for word in KICK_WORDS[1:]:
        rest = rest.replace(word, " ")
    drums_and_sub = "sub" in rest and _has(rest, DRUM_WORDS) and not _has(name, KICK_WORDS)
    return ("bass" in rest and _has(name, KICK_WORDS + DRUM_WORDS)) or drums_and_sub
