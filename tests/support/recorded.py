"""Invented days in the form of the day record, for the tests of what reads it."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from meter.logbook.day_record import APPLICATION_ID, STEPS
from meter.logbook.migrate import migrate

KEYS = (
    ("loudness.momentary", "LUFS", 1), ("loudness.short_term", "LUFS", 1), ("loudness.blocks", "LUFS", 10),
    ("peaks.true_latest", "dBTP", 2), ("stereo.correlation", "", 1), ("mono_lows.loss", "dB", 1),
    ("listening.seat_second", "dB(A)", 1),
)  # fmt: skip
"""Figures of an invented mix."""

MORNING = 1_795_856_400
"""28 November 2026, 09:00 UTC."""

Values = NDArray[np.float32]


class DayFile:
    """A day record that a test fills."""

    def __init__(self, path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self.path = path
        self._connection = sqlite3.connect(path, isolation_level=None)
        migrate(self._connection, STEPS, APPLICATION_ID)
        self._connection.execute("PRAGMA synchronous = OFF")
        self._connection.isolation_level = ""  # one transaction for many rows

    def segment(self, run: str = "a", began: float = MORNING, source: str = "an invented output") -> int:
        """A new segment; returns its number."""
        columns = "run, began, job, source, rate_hz, channels, feeds"
        words = (run, began, "an invented song", source, 48_000, 2, json.dumps({"mix": [0, 1]}))
        return self._insert(f"INSERT INTO segment ({columns}) VALUES (?,?,?,?,?,?,?)", words)

    def series(self, segment: int, feed: str = "mix", keys: Sequence[tuple[str, str, int]] = KEYS) -> int:
        """A new series; returns its number."""
        words = (segment, feed, json.dumps(keys))
        return self._insert("INSERT INTO series (segment, feed, keys) VALUES (?,?,?)", words)

    def seconds(self, series: int, at: Sequence[int] | NDArray[np.int64], rows: Values) -> None:
        """Rows of figures ``(n, width)``."""
        blobs = [row.astype("<f4").tobytes() for row in rows]
        self._connection.executemany("INSERT INTO second VALUES (?,?,?)", [
            (series, int(moment), blob) for moment, blob in zip(at, blobs, strict=True)
        ])  # fmt: skip
        self._connection.commit()

    def event(self, at: float, kind: str, words: str = "", seconds: float | None = None, feed: str = "",
              figures: Mapping[str, float] | None = None) -> None:  # fmt: skip
        """Something that happened."""
        self._insert("INSERT INTO event VALUES (NULL,?,?,?,?,?,?,1)",
                     (at, kind, feed, seconds, words, json.dumps(dict(figures or {}))))  # fmt: skip

    def run(self, statement: str) -> None:
        """Any other statement."""
        self._connection.execute(statement)
        self._connection.commit()

    def close(self) -> None:
        self._connection.close()

    def _insert(self, statement: str, words: Sequence[object]) -> int:
        number = self._connection.execute(statement, words).lastrowid
        self._connection.commit()
        return int(number or 0)


def figures_of_a_mix(seconds: int, seed: int = 7) -> Values:
    """Figures of an invented mix in the order of ``KEYS``: loud and soft parts, pauses."""
    random = np.random.default_rng(seed)
    times = np.arange(seconds)
    loudness = -16.0 + 4.0 * np.sin(times / 37.0) + 3.0 * np.sin(times / 911.0) + random.normal(0.0, 1.0, seconds)
    loudness[(times // 1500) % 4 == 3] -= 45.0
    blocks = loudness[:, None] + random.normal(0.0, 1.0, (seconds, 10))
    peaks = np.minimum(loudness[:, None] + 12.0 + random.normal(0.0, 1.5, (seconds, 2)), 1.5)
    correlation = np.clip(0.6 + 0.3 * np.sin(times / 53.0) + random.normal(0.0, 0.1, seconds), -1.0, 1.0)
    lows = np.abs(random.normal(0.6, 0.5, seconds))
    seat = loudness + 94.0
    columns = (blocks.max(axis=1), loudness, blocks, peaks, correlation, lows, seat)
    return np.column_stack(columns).astype(np.float32)


def invented_day(path: Path, hours: float = 10.0, feeds: Sequence[str] = ("mix",), first: int = MORNING) -> Path:
    """A day of ``hours`` with a gap, marks, passes and a change of source; returns ``path``."""
    file = DayFile(path)
    seconds = round(hours * 3600)
    part = round(seconds * 0.6)
    lost = min(240, seconds // 20)
    for run, begin, end in (("a", 0, part), ("b", part + lost, seconds)):
        segment = file.segment(run, first + begin, f"an invented output, run {run}")
        for number, feed in enumerate(feeds):
            at = first + np.arange(begin, end)
            file.seconds(file.series(segment, feed), at, figures_of_a_mix(end - begin, seed=number))
    file.event(first, "segment", "an invented output: 48 kHz, 2 channels")
    file.event(first + part, "gap", "4 min without sound", float(lost))
    file.event(first + part, "state", "the output went away")
    step = seconds / 12.0
    for number in range(1, 9):
        file.event(first + step * number, "mark", f"mark {number}")
        file.event(first + step * (number + 0.8), "pass", f"pass {number}", step * 0.6, figures={"loudness.i": -14.2})
    file.event(first + seconds * 0.5, "over", "over +0.4 dBTP", feed="mix")
    file.event(first + seconds * 0.7, "verdict", "Low end in mono: solid", feed="mix")
    file.close()
    return path
