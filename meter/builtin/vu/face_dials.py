"""The dials of the level meter: scale law and marks of each kind of ballistics."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from meter.gui.kit import scale

VU, PPM_1, PPM_2 = 0, 1, 2


@dataclass(frozen=True)
class Dial:
    """One kind of ballistics: name, scale law, and marks in dB re the alignment."""

    name: str
    unit: str
    place: Callable[[float], float]
    marks: tuple[int, ...]
    labels: tuple[tuple[int, ...], ...]
    """Sets of numbered marks, the fullest first: the first that fits is drawn."""


DIALS = {
    VU: Dial("VU", "VU", scale.vu_place, scale.VU_MARKS, scale.VU_LABELS),
    PPM_1: Dial(
        "PPM type I", "dB", lambda level: scale.straight_place(level, -36.0, 12.0),
        tuple(range(-36, 13, 3)), ((-36, -24, -12, 0, 6, 12), (-36, -24, -12, 0, 12), (-36, 0, 12)),
    ),
    PPM_2: Dial(
        "PPM type II", "dB", lambda level: scale.straight_place(level, -12.0, 12.0),
        tuple(range(-12, 13, 2)), ((-12, -8, -4, 0, 4, 8, 12), (-12, -6, 0, 6, 12), (-12, 0, 12)),
    ),
}  # fmt: skip
