"""Line numbers of the entries of a TOML file, for the sentence that refuses one.

A place is a path of names and numbers, as in ``("field", 0, "unit")``: the unit of the first ``[[field]]``.
"""

from __future__ import annotations

import re
from collections import Counter

Place = tuple[str | int, ...]


class WrongEntry(ValueError):
    """What is wrong with one entry, as the end of a sentence, and the ``place`` of the entry."""

    def __init__(self, reason: str, *place: str | int) -> None:
        super().__init__(reason)
        self.place: Place = place


_TABLE = re.compile(r"\[(\[?)\s*((?:[\w.-]|\"[^\"]*\"|'[^']*')+)\s*\]")
_NAME = re.compile(r"\"([^\"]*)\"|'([^']*)'|([\w-]+)")
_KEY = re.compile(r"[\"']?([\w-]+)[\"']?\s*=")
_LINE = re.compile(r"\(at line (\d+), column \d+\)|\(at end of document\)")
_PATH = re.compile(r" - at `\$([^`]*)`")
_STEP = re.compile(r"\.([\w-]+)|\[(\d+)\]")
_UNKNOWN = re.compile(r"unknown field `([^`]*)`")


def line_of(text: str, place: Place) -> int:
    """Number of the line where this entry begins, or the nearest table around it; 0 where there is none.

    A message leaves out names that the user chose: of ``[pairs.NAME]`` only "pairs" is in the place. Where one entry
    alone begins and ends like the place, it is that.
    """
    lines = _lines(text)
    while place:
        if place in lines:
            return lines[place]
        like = [
            number
            for known, number in lines.items()
            if len(known) > len(place) > 1 and known[0] == place[0] and known[-1] == place[-1]
        ]
        if len(like) == 1:
            return like[0]
        place = place[:-1]
    return 0


def line_of_error(text: str, error: Exception) -> int:
    """The line that an error of the TOML reader or of msgspec is about, or 0."""
    message = str(error)
    if "(at end of document)" in message:
        return text.rstrip().count("\n") + 1
    return line_in_message(message) or line_of(text, place_in_message(message))


def line_in_message(message: str) -> int:
    """The line that a message of the TOML reader names, or 0."""
    match = _LINE.search(message)
    return int(match[1] or 0) if match else 0


def place_in_message(message: str) -> Place:
    """The place that a message of msgspec names: ``… - at `$.field[0].unit```; empty for the whole file."""
    path = _PATH.search(message)
    steps = _STEP.findall(path[1]) if path else []
    place: Place = tuple(name or int(number) for name, number in steps)
    unknown = _UNKNOWN.search(message)
    return (*place, unknown[1]) if unknown else place


def without_place(message: str) -> str:
    """The message without the path or line in it, which the sentence names in its own way."""
    return _LINE.sub("", _PATH.sub("", message)).strip()


def _lines(text: str) -> dict[Place, int]:
    """Numbers of the lines on which tables and keys stand; text inside long strings may be taken for some."""
    found: dict[Place, int] = {}
    counts: Counter[str] = Counter()
    table: Place = ()
    for number, line in enumerate(text.split("\n"), 1):
        line = line.strip()
        if heading := _TABLE.match(line):
            name = heading[2]
            steps = tuple("".join(step) for step in _NAME.findall(name))
            table = (name, counts[name]) if heading[1] else steps
            counts[name] += bool(heading[1])
            found.setdefault(table, number)
        elif key := _KEY.match(line):
            found.setdefault((*table, key[1]), number)
    return found
