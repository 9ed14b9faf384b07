"""One check: what is fed in, what must come out and by which source, and how far off it may be."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

FLOAT_SLACK = 1e-9
"""A reading that meets a limit on paper must not miss it by the rounding of a subtraction."""

Kind = Literal["printed", "closed form", "own case", "from memory"]

PRINTED: Final = "printed"
"""The figure and its limits stand in the document, or in the transcription or quotation of it that was read."""
CLOSED_FORM: Final = "closed form"
"""The figure follows from a formula or an identity and is printed nowhere, or was not read there."""
OWN_CASE: Final = "own case"
"""The signal or the limits are our own choice, or the figure is that of another part of this program."""
FROM_MEMORY: Final = "from memory"
"""The figure, or its limits, were remembered and not read; the weakest part decides."""

KINDS: tuple[Kind, ...] = (PRINTED, CLOSED_FORM, OWN_CASE, FROM_MEMORY)


class Source(str):
    """A document with clause or table, or a formula. ``kind`` tells what its figures are.

    ``read_in`` names where the document was read, as in "read in a transcription"; empty for what was not read.
    """

    __slots__ = ("kind", "read_in")
    kind: Kind
    read_in: str

    def __new__(cls, text: str, kind: Kind, read_in: str = "") -> Source:
        made = super().__new__(cls, text)
        made.kind, made.read_in = kind, read_in
        return made

    def at(self, clause: str, kind: Kind | None = None) -> Source:
        """The same document with ``clause`` appended as it stands; ``kind`` where this clause has another one."""
        return Source(f"{self}{clause}", kind or self.kind, self.read_in)


@dataclass(frozen=True)
class Check:
    """One check with its measuring function.

    ``minus`` and ``plus`` are how far below and above ``expected`` a reading may lie, both as positive numbers in
    ``unit``; ``math.inf`` leaves that side open. ``measure`` makes the signal, measures it and returns the reading;
    it takes no input and keeps nothing.
    """

    name: str
    source: Source
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
