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


_TABLE = re.compile(r"\[(\[?)\s*([\w.-]+)\s*\]")
_KEY = re.compile(r"[\"']?([\w-]+)[\"']?\s*=")
_LINE = re.compile(r"\(at line (\d+), column \d+\)")
_PATH = re.compile(r" - at `\$([^`]*)`")
_STEP = re.compile(r"\.([\w-]+)|\[(\d+)\]")
_UNKNOWN = re.compile(r"unknown field `([^`]*)`")


def line_of(text: str, place: Place) -> int:
    """Number of the line where this entry begins, or the nearest table around it; 0 where there is none."""
    lines = _lines(text)
    while place:
        if place in lines:
            return lines[place]
        place = place[:-1]
    return 0


def line_in_message(message: str) -> int:
    """The line that a message of the TOML reader names, or 0."""
    match = _LINE.search(message)
    return int(match[1]) if match else 0


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
            table = (name, counts[name]) if heading[1] else tuple(name.split("."))
            counts[name] += bool(heading[1])
            found.setdefault(table, number)
        elif key := _KEY.match(line):
            found.setdefault((*table, key[1]), number)
    return found
