"""What a meter keeps since its reset, as plain data: names with numbers and small arrays of numbers, no more.

``keep`` hands it out: arrays are its own from then on. ``take_back`` of a meter that was just prepared for the same
signal goes on from there; ``skip`` follows, since something is missing in between.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeAlias

Kept: TypeAlias = Mapping[str, Any]
"""Names with a number or an array of numbers each."""


def inside(name: str, kept: Kept) -> dict[str, Any]:
    """What one part of a meter keeps, under a name of its own."""
    return {f"{name}.{key}": value for key, value in kept.items()}


def of(name: str, kept: Kept) -> dict[str, Any]:
    """What ``inside`` put under a name."""
    return {key.removeprefix(f"{name}."): value for key, value in kept.items() if key.startswith(f"{name}.")}
