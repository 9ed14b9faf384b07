"""A published check as data: expected value, limits, source, and the function that measures."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

FLOAT_SLACK = 1e-9
"""Rounding of a subtraction: a reading exactly at a limit passes."""

Kind = Literal["printed", "closed form", "own case", "from memory"]

PRINTED: Final = "printed"
"""Figure and limits were read in the document, a transcription or a quotation."""
CLOSED_FORM: Final = "closed form"
"""The figure follows from a formula or an identity, and was not read in print."""
OWN_CASE: Final = "own case"
"""Signal or limits are our own choice, or the figure comes from another part of this program."""
FROM_MEMORY: Final = "from memory"
"""Figure or limits are from memory; the weaker of the two decides."""

KINDS: tuple[Kind, ...] = (PRINTED, CLOSED_FORM, OWN_CASE, FROM_MEMORY)


class Source(str):
    """A document with clause or table, or a formula. ``kind`` is the kind of its figures.

    ``read_in`` names where the document was read, as in "read in a transcription"; empty for from memory.
    """

    __slots__ = ("kind", "read_in")
    kind: Kind
    read_in: str

    def __new__(cls, text: str, kind: Kind, read_in: str = "") -> Source:
        made = super().__new__(cls, text)
        made.kind, made.read_in = kind, read_in
        return made

    def at(self, clause: str, kind: Kind | None = None) -> Source:
        """The same document with ``clause`` appended; ``kind`` if this clause has another."""
        return Source(f"{self}{clause}", kind or self.kind, self.read_in)


@dataclass(frozen=True)
class Check:
    """One check with its measuring function.

    ``minus`` and ``plus`` are the tolerances below and above ``expected``, positive, in ``unit``; ``math.inf`` leaves
    that side open. ``measure`` makes the signal, measures it and returns the reading; it has no arguments and no
    state.
    """

    name: str
    source: Source
    expected: float
    unit: str
    minus: float
    plus: float
    measure: Callable[[], float]

    def passes(self, reading: float) -> bool:
        """True when ``reading`` is within the limits; False for NaN; an infinite ``expected`` must be equal."""
        if math.isnan(reading):
            return False
        if math.isinf(self.expected):
            return reading == self.expected
        error = reading - self.expected
        return -self.minus - FLOAT_SLACK <= error <= self.plus + FLOAT_SLACK
