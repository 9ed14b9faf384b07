"""What a meter counts since its reset, as plain data: names with numbers and small arrays of numbers.

``save_state`` returns it; the meter does not change the arrays afterwards. ``restore_state`` of a meter that was just
prepared for the same signal continues from it; ``skip`` follows, because frames are missing in between.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeAlias

SavedState: TypeAlias = Mapping[str, Any]
"""Each name has a number or an array of numbers."""


def inside(name: str, kept: SavedState) -> dict[str, Any]:
    """Return ``state`` with ``name`` as a prefix of every key."""
    return {f"{name}.{key}": value for key, value in kept.items()}


def of(name: str, kept: SavedState) -> dict[str, Any]:
    """Return the part of ``state`` that ``inside`` prefixed with ``name``."""
    return {key.removeprefix(f"{name}."): value for key, value in kept.items() if key.startswith(f"{name}.")}
