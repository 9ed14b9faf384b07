"""An engine with a day record on disk, and what a reader of its own finds there."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meter.audio.script import Event as Scripted
from meter.audio.script import ScriptedSource
from meter.audio.source import SourceInfo, SourceRequest
from meter.engine.day_recorder import DayRecorder
from meter.engine.engine import Engine
from meter.engine.in_process import Mailbox
from meter.logbook.day_record import Event, Second, Segment, day_path
from meter.logbook.day_writer import DayWriter
from meter.plugin.host import Plugin, discover
from meter.readings import Frame
from tests.support.ledgers import NOON, FakeTime

RATE_HZ = 8000
STEP_SECONDS = 0.05
DAY = "2026-03-04"
METERS = {plugin.id: plugin for plugin in discover()}
USUAL = tuple(METERS[name] for name in ("loudness", "peaks"))


def utc_day(at: float) -> str:
    """The day of a moment at Greenwich, so that tests do not depend on the machine's time zone."""
    return str(np.datetime64(int(at), "s").astype("datetime64[D]"))


class DirectDay:
    """What the recorder thread does, at once and in the thread that asks."""

    def __init__(self, writer: DayWriter) -> None:
        self.writer = writer
        self.posted: list[Second | Event | Segment] = []

    @property
    def day_sentence(self) -> str:
        return self.writer.sentence

    def post(self, message: Second | Event | Segment) -> bool:
        self.posted.append(message)
        self.writer.add(message)
        self.writer.update()
        return True


class Recorded:
    """An engine over a scripted source; time moves only by ``run``."""

    def __init__(
        self,
        folder: Path,
        *script: Scripted,
        channels: int = 2,
        plugins: Sequence[Plugin] = USUAL,
        job: str = "song",
        time: FakeTime | None = None,
        **options: Any,
    ) -> None:
        self.folder = folder / "record"
        self.job = job
        self.source = ScriptedSource(script, rate_hz=RATE_HZ, channels=channels)
        self.time = time or FakeTime(NOON)
        self.writer = DayWriter(self.folder, self.time.clock(), utc_day)
        self.line = DirectDay(self.writer)
        self.day = DayRecorder(self.line, self.time.clock(), "run 1")
        self.box = Mailbox()
        self.engine = Engine(
            plugins,
            self.box,
            clock=lambda: self.source.now_ns() / 1e9,
            open_source=lambda _request: self.source,
            day=self.day,
            **options,
        )
        self.engine.spans.wall = lambda: self.time.wall
        self.engine.open(SourceRequest("script", "a script"), None, job)

    def run(self, seconds: float) -> Frame:
        for _ in range(round(seconds / STEP_SECONDS)):
            self.source.advance(STEP_SECONDS)
            self.time.go(STEP_SECONDS)
            while self.engine.step():
                pass
        frame = self.box.take()
        assert frame is not None
        return frame

    def close(self) -> None:
        self.engine.close()
        self.writer.close()

    @property
    def path(self) -> Path:
        return day_path(self.job, DAY, self.folder)

    def figures(self, key: str, feed: str = "mix") -> dict[int, NDArray[np.float32]]:
        """Values of one figure by second after noon."""
        return {at - NOON: values for at, values in figures_in(self.path, key, feed)}

    def events(self, *kinds: str) -> list[tuple[float, str, str]]:
        """Seconds after noon, kind and words."""
        return [(at - NOON, kind, words) for at, kind, words in events_in(self.path) if not kinds or kind in kinds]


def figures_in(path: Path, key: str, feed: str = "mix") -> Iterator[tuple[int, NDArray[np.float32]]]:
    """Second since 1970 and values of one figure, in order of time."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        words = "SELECT at, figures, keys FROM second JOIN series ON series.id = series WHERE feed = ? ORDER BY at"
        for at, figures, keys in connection.execute(words, (feed,)).fetchall():
            begin = 0
            for name, _unit, size in json.loads(keys):
                if name == key:
                    yield at, np.frombuffer(figures, "<f4")[begin : begin + size]
                begin += size


def events_in(path: Path) -> list[tuple[float, str, str]]:
    """Time, kind and words of every event, in order of time."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        return list(connection.execute("SELECT at, kind, words FROM event ORDER BY at, id"))


def renamed(source: ScriptedSource, name: str) -> SourceInfo:
    """The information of a scripted source under another name."""
    return replace(source.open(), name=name)
