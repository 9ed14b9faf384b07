"""Where the hands of the level meter are."""

from __future__ import annotations

import math
from collections.abc import Iterable

from PySide6.QtCore import QPointF, QRect

HALF_TRAVEL_DEGREES = 46.0
HAND_FROM = 0.36
"""A hand begins at this share of the radius; the text is below."""
HAND_TO = 0.90
HAND_SHARE = 0.03
"""Width of the broad hand as a share of the radius, so that a small picture of the page still shows it."""


def broad_width(radius: float) -> float:
    """Width of the broad hand in points."""
    return max(5.0, HAND_SHARE * radius)


def hands_box(pivot: QPointF, radius: float, places: Iterable[float]) -> QRect:
    """The rectangle that holds a hand at each of these places, 0 to 1; NaN is no hand; not all may be."""
    across, down = [], []
    for each in places:
        if not math.isnan(each):
            angle = math.radians((2.0 * each - 1.0) * HALF_TRAVEL_DEGREES)
            for share in (HAND_FROM, HAND_TO):
                across.append(radius * share * math.sin(angle))
                down.append(-radius * share * math.cos(angle))
    edge = 2 + math.ceil(broad_width(radius) / 2.0)
    left, top = math.floor(pivot.x() + min(across)) - edge, math.floor(pivot.y() + min(down)) - edge
    right, bottom = math.ceil(pivot.x() + max(across)) + edge, math.ceil(pivot.y() + max(down)) + edge
    return QRect(left, top, right - left, bottom - top)
