"""The list of marks in one file, so that the next start of the program has it. No Qt.

Two windows write to one file: each replaces the marks that it knows and leaves the others.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import msgspec

from meter.marks import MARK, MOST_MARKS, PASS, Mark, name_of
from meter.whole_file import move_aside, plain_words, write_whole

VERSION = 1
FILE_NAME = "marks.msgpack"
MAX_FILE_BYTES = 4_000_000
"""Far above the size of a full list."""
MOST_FIGURES = 500
"""Of one span; more is no list of this program."""
LONGEST_SPAN_SECONDS = 366 * 86_400.0


class KeptMarks(msgspec.Struct, forbid_unknown_fields=True):
    """What the file holds: spans that have ended, by time of day."""

    version: int
    marks: tuple[Mark, ...]


class MarksFile:
    """``path`` is the file; it need not exist yet."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._known: frozenset[float] = frozenset()

    def load(self, wall: float) -> tuple[tuple[Mark, ...], str]:
        """The marks, and one sentence about a fault or an empty string; never raises.

        ``wall`` is the time of day in seconds since 1970. Places are seconds before it.
        """
        try:
            found = self._read()
        except OSError as error:
            return (), f"The marks in {self._path} cannot be read ({error.strerror}); this session starts without."
        except (msgspec.DecodeError, RecursionError, ValueError) as error:
            return (), self._moved_aside(plain_words(error))
        self._known = frozenset(mark.at for mark in found)
        return tuple(_before(mark, wall) for mark in found), ""

    def save(self, marks: Sequence[Mark], now: float, running: Mapping[str, float]) -> str:
        """Write the list whole or not at all; an empty string, or one sentence that says why it failed.

        A span that goes on is written as one that ends ``now`` (the audio clock) with the figures ``running``.
        """
        mine = [
            msgspec.structs.replace(mark, end=max(now, mark.start), figures=dict(running)) if mark.running else mark
            for mark in marks
        ]
        try:
            theirs = [mark for mark in self._read() if mark.at not in self._known]
        except (OSError, msgspec.DecodeError, RecursionError, ValueError):
            theirs = []
        known = frozenset(mark.at for mark in mine)
        kept = sorted([*mine, *(mark for mark in theirs if mark.at not in known)], key=lambda mark: mark.at)
        try:
            write_whole(self._path, msgspec.msgpack.encode(KeptMarks(VERSION, tuple(kept[-MOST_MARKS:]))))
        except OSError as error:
            why, fix = (
                f"cannot be saved in {self._path.parent} ({error.strerror})",
                "check that the folder is writable",
            )
            return f"The marks {why}; {fix}."
        self._known = known
        return ""

    def _read(self) -> tuple[Mark, ...]:
        """Raises OSError, msgspec.DecodeError, or ValueError for what is no list of marks."""
        if not self._path.exists():
            return ()
        if not self._path.is_file() or self._path.stat().st_size > MAX_FILE_BYTES:
            raise ValueError("it is no list of marks")
        kept = msgspec.msgpack.decode(self._path.read_bytes(), type=KeptMarks)
        if kept.version > VERSION:
            raise ValueError("a newer version of this program wrote it")
        if not all(map(_is_usable, kept.marks)):
            raise ValueError("it holds a span without a length, a time or a name")
        return kept.marks[-MOST_MARKS:]

    def _moved_aside(self, reason: str) -> str:
        try:
            aside = move_aside(self._path)
        except OSError as error:
            return f"The marks in {self._path} are unusable ({reason}) and cannot be moved: {error.strerror}."
        return f"The file of marks was unusable ({reason}); it is kept as {aside.name}, and the list starts empty."


def _is_usable(mark: Mark) -> bool:
    length = mark.end - mark.start
    named = bool(mark.name) and mark.name == name_of(mark.name)
    timed = math.isfinite(mark.at) and 0.0 <= length <= LONGEST_SPAN_SECONDS
    return named and timed and mark.kind in (MARK, PASS) and len(mark.figures) <= MOST_FIGURES


def _before(mark: Mark, wall: float) -> Mark:
    """The same span with its places before now; one from a clock that was ahead ends now."""
    length = mark.end - mark.start
    end = min(0.0, mark.at + length - wall)
    return msgspec.structs.replace(mark, start=end - length, end=end)
