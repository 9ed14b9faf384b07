"""What a check of the kit returns, and the two ways in which it ends early."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Result = Literal["pass", "fail", "skipped"]


@dataclass(frozen=True)
class Outcome:
    """One check of one meter. ``sentence`` says what was found; ``place`` is ``process.py, line 12`` or empty."""

    check: str
    result: Result
    sentence: str
    place: str = ""

    @property
    def failed(self) -> bool:
        """True when the meter does not do what the contract asks."""
        return self.result == "fail"

    def __str__(self) -> str:
        where = f"{self.place}: " if self.place else ""
        return f"{self.result:8} {self.check:10} {where}{self.sentence}"


class CheckFailed(Exception):
    """The meter breaks the contract; the text is one sentence."""


class NotChecked(Exception):
    """There is nothing to check here; the text is one sentence that says why."""
