"""The analyses of the chosen reference files while the meter runs: made a piece at a time, and renewed on change."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from meter.audio.source import SourceError
from meter.lane.analysis import Analysed, Steps, analysis_steps, fault_of
from meter.reference_files import MOST_REFERENCES, ReferenceFile

MOST_KEPT = 4 * MOST_REFERENCES
SECONDS_A_STEP = 100
"""Sound that is analysed in one call: about 0.4 s of computing, after which the studies rest for some seconds."""

Stamp = tuple[int, int]


@dataclass
class Entry:
    """What is known of one file. ``fault`` is one sentence when there is no analysis, ``note`` when it is old."""

    analysed: Analysed | None = None
    read: float = 0.0
    fault: str = ""
    note: str = ""
    stamp: Stamp | None = None
    steps: Steps | None = None


class ReferenceLibrary:
    """Analyses by path. ``work`` does a bounded piece of work; call it again until nothing is left.

    ``cache`` names the folder of the cache, or None, each time it is needed.
    """

    def __init__(self, cache: Callable[[], Path | None]) -> None:
        self._cache = cache
        self._entries: dict[str, Entry] = {}

    def work(self, files: Sequence[ReferenceFile]) -> list[Entry]:
        """Entries of these files, in order; of others the last few are kept."""
        paths = [file.path for file in files]
        others = {path: entry for path, entry in self._entries.items() if path not in paths and entry.steps is None}
        named = {path: self._entries[path] for path in paths if path in self._entries}
        self._entries = {**dict(list(others.items())[-MOST_KEPT:]), **named}
        for path in paths:
            self._look_at(path, self._entries.setdefault(path, Entry()))
        left = SECONDS_A_STEP
        for path in paths:
            if left > 0 and self._entries[path].steps is not None:
                left -= self._step(path, self._entries[path], left)
        return [self._entries[path] for path in paths]

    def _look_at(self, path: str, entry: Entry) -> None:
        """Begin an analysis of what is new or has changed."""
        stamp = _stamp(path)
        if stamp is None and entry.analysed is not None:
            entry.note = f"'{Path(path).name}' is no longer there; what was read of it is used until the next start."
            return
        entry.note = ""
        if stamp != entry.stamp or (stamp is None and not entry.fault and entry.steps is None):
            entry.stamp, entry.read, entry.fault = stamp, 0.0, ""
            entry.steps = analysis_steps(Path(path), self._cache())

    @staticmethod
    def _step(path: str, entry: Entry, most: int) -> int:
        """Work on one file; returns the seconds of sound read, none for an analysis that was kept."""
        assert entry.steps is not None
        read = 0
        try:
            while read < most:
                entry.read = next(entry.steps)
                read += 1
        except StopIteration as end:
            entry.analysed, entry.read, entry.steps = end.value, 1.0, None
        except SourceError as error:
            entry.analysed, entry.fault, entry.steps = None, fault_of(Path(path), error), None
        return read


def _stamp(path: str) -> Stamp | None:
    """Size and time of change of a file; None where there is none."""
    try:
        status = Path(path).stat()
    except (OSError, ValueError):
        return None
    return status.st_size, status.st_mtime_ns
