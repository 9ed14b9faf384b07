"""The sentence that says a meter is set aside, and how it is told from other sentences about meters."""

from __future__ import annotations

_IS = "” is set aside: "


def set_aside_sentence(name: str, why: str) -> str:
    """One sentence; ``why`` is a phrase without a full stop."""
    return f"Meter “{name}{_IS}{why}."


def says_set_aside(sentence: str) -> bool:
    """True for such a sentence, and not for one about a feed that is not there."""
    return _IS in sentence
