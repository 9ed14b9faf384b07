"""The list of marks: where each span of listening began, how long it was, and its figures. No Qt.

A mark begins a span; the next mark, a reset or another source ends it. The figures of a span that ended are kept.
Places are seconds on the audio clock (``FeedStatus.elapsed_seconds``); a reset or another source restarts that clock,
and marks from before then have negative places.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import msgspec

SUFFIX = "_mark"
"""A field whose key ends with this is a figure since the mark; it is kept with the span."""

MOST_MARKS = 200
"""The oldest are dropped beyond this."""

MARK, PASS = "mark", "pass"

AT_PLAY_PASS, AT_PLAY_RESET, AT_PLAY_NOTHING = "pass", "reset", "nothing"
AT_PLAY = (AT_PLAY_PASS, AT_PLAY_RESET, AT_PLAY_NOTHING)
"""What happens when play starts after a stop."""

LEAST_PASS_SECONDS = 1.0
"""A shorter pass is not listed: a click while nothing plays."""

SECTIONS = {
    "in": "intro", "ve": "verse", "pc": "pre-chorus", "ch": "chorus", "br": "bridge", "mi": "middle", "so": "solo",
    "bd": "breakdown", "ou": "outro", "be": "before", "af": "after", "rf": "reference",
}  # fmt: skip
"""Names by two letters; other letters are a name as they are."""

NAME_LETTERS = 24


class Mark(msgspec.Struct, frozen=True):
    """One mark and the span that begins there.

    ``start`` and ``end`` are seconds on the audio clock, ``end`` is NaN while the span goes on. ``at`` is the time of
    day in seconds since 1970. ``figures`` are the readings since the mark by full key when it ended, empty before.
    ``kind`` is ``MARK`` (set by hand) or ``PASS`` (play began).
    """

    start: float
    at: float
    name: str
    end: float = math.nan
    figures: dict[str, float] = {}
    kind: str = MARK

    @property
    def running(self) -> bool:
        """True while its span goes on."""
        return math.isnan(self.end)

    def seconds(self, now: float) -> float:
        """The length of its span in seconds; ``now`` is the audio clock."""
        return (now if self.running else self.end) - self.start


def name_of(letters: str) -> str:
    """The name that two letters stand for; longer text, or letters that stand for nothing, as they are."""
    plain = " ".join("".join(each for each in letters if each.isprintable()).split())
    return SECTIONS.get(plain.lower(), plain)[:NAME_LETTERS]


class MarkList:
    """Marks in the order of time; at most the last one is running."""

    def __init__(self) -> None:
        self._marks: tuple[Mark, ...] = ()
        self._counts: dict[str, int] = {}

    @property
    def marks(self) -> tuple[Mark, ...]:
        """The list as it stands; the same object until it changes."""
        return self._marks

    def put_back(self, marks: tuple[Mark, ...]) -> None:
        """Have the marks of an earlier run of the program before all others."""
        self._marks = (*marks, *self._marks)[-MOST_MARKS:]
        for kind in (MARK, PASS):
            numbered = [mark.name.removeprefix(f"{kind} ") for mark in marks]
            highest = max((int(number) for number in numbered if number.isascii() and number.isdigit()), default=0)
            self._counts[kind] = max(highest, self._counts.get(kind, 0))

    def begin(self, now: float, at: float, ended: Mapping[str, float], kind: str = MARK) -> None:
        """A mark at ``now``: the span before it ends with these figures. The first ends the span since R."""
        self._end(now, at, ended)
        self._add(Mark(now, at, self._next_name(kind), kind=kind))

    def stop(self, now: float, at: float, ended: Mapping[str, float]) -> None:
        """Play stopped at ``now``: the running span ends; without one, what played since R is the first pass."""
        last = self._marks[-1] if self._marks else None
        if last is not None and last.running:
            self._end(now, at, ended)
            if last.kind == PASS and now - last.start < LEAST_PASS_SECONDS:
                self._marks = self._marks[:-1]
                self._counts[PASS] -= 1
        elif self._is_empty_since_restart and now >= LEAST_PASS_SECONDS:
            self._add(Mark(0.0, at - now, self._next_name(PASS), now, dict(ended), PASS))

    def restart(self, now: float, at: float, ended: Mapping[str, float]) -> None:
        """The audio clock restarts at ``now``: the running span ends, and all places become negative."""
        if self._marks and self._marks[-1].running:
            self._end(now, at, ended)
        self._marks = tuple(
            msgspec.structs.replace(mark, start=mark.start - now, end=mark.end - now) for mark in self._marks
        )

    def rename(self, number: int, name: str) -> None:
        """Name the mark with this index; an index that is not there, or an empty name, changes nothing."""
        name = name_of(name)
        if name and 0 <= number < len(self._marks):
            changed = msgspec.structs.replace(self._marks[number], name=name)
            self._marks = (*self._marks[:number], changed, *self._marks[number + 1 :])

    def clear(self) -> None:
        """Drop all marks but one that is running."""
        self._marks = tuple(mark for mark in self._marks if mark.running)
        self._counts = {}

    def _end(self, now: float, at: float, ended: Mapping[str, float]) -> None:
        """End the running span; with none, list the span from the start of the clock that ends here."""
        if self._marks and self._marks[-1].running:
            last = msgspec.structs.replace(self._marks[-1], end=now, figures=dict(ended))
            self._marks = (*self._marks[:-1], last)
        elif now > 0.0 and self._is_empty_since_restart:
            self._add(Mark(0.0, at - now, "start", now, dict(ended)))

    @property
    def _is_empty_since_restart(self) -> bool:
        """No span since the audio clock restarted."""
        return not self._marks or self._marks[-1].end <= 0.0

    def _add(self, mark: Mark) -> None:
        self._marks = (*self._marks, mark)[-MOST_MARKS:]

    def _next_name(self, kind: str) -> str:
        self._counts[kind] = self._counts.get(kind, 0) + 1
        return f"{kind} {self._counts[kind]}"
