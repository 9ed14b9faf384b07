"""One published check: what is fed in, what a standard says must come out, and how far off it may be."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

FLOAT_SLACK = 1e-9
"""A reading that meets a limit on paper must not miss it by the rounding of a subtraction."""


@dataclass(frozen=True)
class Check:
    """One check with its measuring function.

    ``source`` names document and clause or table. ``minus`` and ``plus`` are how far below and above
    ``expected`` a reading may lie, both as positive numbers in ``unit``; ``math.inf`` leaves that side open.
    ``measure`` makes the signal, measures it and returns the reading; it takes no input and keeps nothing.
    """

    name: str
    source: str
    expected: float
    unit: str
    minus: float
    plus: float
    measure: Callable[[], float]

    def passes(self, reading: float) -> bool:
        """Whether ``reading`` lies within the limits; NaN never does; an infinite ``expected`` is met exactly."""
        if math.isnan(reading):
            return False
        if math.isinf(self.expected):
            return reading == self.expected
        error = reading - self.expected
        return -self.minus - FLOAT_SLACK <= error <= self.plus + FLOAT_SLACK
