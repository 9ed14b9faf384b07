"""Reference files as they are written: ``FILE``, or ``FILE@start-end`` with a chosen stretch."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path

MOST_REFERENCES = 5
SETTINGS = tuple(f"reference_{number}" for number in range(1, MOST_REFERENCES + 1))
"""Settings that hold one reference each, of a meter with the service "references"."""
LEAST_SECONDS = 5.0
MOST_SECONDS = 20 * 60.0
"""Of a file: what lies after it is not analysed."""

_TIME = r"\d{1,3}:[0-5]?\d(?:\.\d+)?|\d{1,5}(?:\.\d+)?"
_STRETCH = re.compile(rf"({_TIME})?\s*[-–]\s*({_TIME})?")


class ReferenceError(ValueError):
    """A stretch that cannot be used; the text is one sentence that names it and the fix."""


@dataclass(frozen=True)
class ReferenceFile:
    """One file with its stretch in seconds; without a chosen stretch from 0 to infinity."""

    path: str
    start: float = 0.0
    end: float = math.inf

    @property
    def name(self) -> str:
        """The file's name without its folder."""
        return Path(self.path).name

    @property
    def chosen(self) -> bool:
        """Whether a stretch was chosen."""
        return self.start > 0.0 or math.isfinite(self.end)

    @property
    def text(self) -> str:
        """As it is written in the settings; ``parse`` reads it."""
        return (
            f"{self.path}@{stretch_text(self.start, self.end)}" if self.chosen or _is_marked(self.path) else self.path
        )


def parse(text: str) -> ReferenceFile:
    """The file and stretch of a text. Raises ReferenceError for a stretch that is none, or too short.

    A file whose whole name looks like that is taken whole when it exists.
    """
    path, mark, stretch = text.rpartition("@")
    if not mark or not path or _exists(text):
        return ReferenceFile(text)
    if not _looks_like_a_stretch(stretch):
        return ReferenceFile(text)
    start, end = stretch_of(stretch)
    return ReferenceFile(path, start, end)


def stretch_of(text: str) -> tuple[float, float]:
    """Start and end in seconds of ``1:10-1:40``, ``70-100``, ``1:10-`` or ``-1:40``; empty for all of it.

    Raises ReferenceError.
    """
    if not text.strip():
        return 0.0, math.inf
    found = _STRETCH.fullmatch(text.strip())
    if found is None:
        raise ReferenceError(f"“{text}” is no stretch; write it as 1:10-1:40.")
    start = seconds_of(found[1]) if found[1] else 0.0
    end = seconds_of(found[2]) if found[2] else math.inf
    if end - start < LEAST_SECONDS:
        raise ReferenceError(f"The stretch {text} is too short; choose {LEAST_SECONDS:.0f} s or more.")
    return start, end


def seconds_of(text: str) -> float:
    """Seconds of ``1:15``, ``75`` or ``75.5``."""
    minutes, colon, seconds = text.partition(":")
    return 60.0 * float(minutes) + float(seconds) if colon else float(text)


def clock(seconds: float) -> str:
    """``1:15``, with tenths where there are any."""
    tenths = round(seconds * 10.0)
    minutes, rest = divmod(tenths, 600)
    return f"{minutes}:{rest // 10:02}" + (f".{rest % 10}" if rest % 10 else "")


def stretch_text(start: float, end: float) -> str:
    """``1:10-1:40``, ``1:10-``; ``0:00-`` for all of it."""
    return f"{clock(start)}-{clock(end) if math.isfinite(end) else ''}"


def _looks_like_a_stretch(text: str) -> bool:
    return bool(text) and any(letter in text for letter in "-–") and not re.search(r"[^\d:.\s–-]", text)


def _is_marked(path: str) -> bool:
    head, mark, stretch = path.rpartition("@")
    return bool(mark and head) and _looks_like_a_stretch(stretch)


def _exists(path: str) -> bool:
    try:
        return Path(path).exists()
    except (OSError, ValueError):
        return False
