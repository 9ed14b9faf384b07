"""Hours of scripted sound as fast as the machine allows, under the window of the program. Part of ``tests.soak``."""

from __future__ import annotations

import math
import os
import tempfile
import time
from pathlib import Path

import numpy as np
import psutil

from meter import app
from meter.audio.source import SourceRequest
from meter.engine import supervisor
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.engine.process import EngineOrder
from meter.exposure_rules import load_rules
from meter.feeds import whole_mix
from meter.logbook.day_record import FOLDER_NAME
from meter.logbook.day_totals import integrated_lufs
from meter.logbook.recorded_day import read as read_day
from meter.plugin.host import discover
from meter.readings import Frame
from meter.settings import Settings, SourceChoice
from tests.support.long_day import RATE_HZ, LongDay, play_long_day
from tests.support.soak_restarts import blocks_of_this_process

SETTLED_SECONDS, SETTLED_WALL_SECONDS, SETTLED_SHARE = 900.0, 600.0, 0.5
"""Of sound, and of time, since studies take their share of time and not of sound: until then the program fills its
histories and caches. Half of a day is enough in any case."""
MOST_GROWTH_MB = 10.0
MOST_OFF_LU = 0.01
MARK_EVERY_SECONDS = 600.0
REPORTS = 16
AWAY_SECONDS = 30.0
"""More than the device is away."""
LOUDNESS = "loudness.integrated"


def run(hours: float) -> list[str]:
    """Play ``hours`` of sound; returns each requirement that does not hold, as a sentence."""
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    day = LongDay(hours)
    offline = offline_loudness(day)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for key in ("XDG_CONFIG_HOME", "XDG_DATA_HOME"):
            os.environ[key] = str(folder)
        supervisor.run_engine = play_long_day
        soak = Soak(day, folder)
        try:
            soak.play()
        finally:
            soak.close()
        failures = soak.failures(offline) + recorded_failures(day, folder, offline)
    failures += [f"The shared block {name} is left." for name in blocks_of_this_process()]
    return failures + [f"The process {child.pid} is left." for child in soak.left()]


def offline_loudness(day: LongDay) -> float:
    """Integrated loudness in LUFS of the same sound as a file would have it."""
    (plugin,) = [plugin for plugin in discover() if plugin.id == LOUDNESS.partition(".")[0]]
    chain = Chain([GuardedMeter(plugin)], RATE_HZ, 2, whole_mix(2))
    for piece in day.sound():
        chain.process(piece.astype(np.float64))
    return Frame(chain.layout, chain.read()).number(LOUDNESS)


class Soak:
    """The window of the program over the long day, and the memory of both processes."""

    def __init__(self, day: LongDay, folder: Path) -> None:
        self._day = day
        rule = next(iter(load_rules().values()))
        order = EngineOrder(
            SourceRequest("script", "a long day", {"hours": day.hours}),
            settings={"listening": {"calibrated": True, "offset_db": 100.0} | rule.settings},
            logbook=str(folder / "logbook.sqlite3"),
        )
        self._me = psutil.Process()
        self._application = app.make_application()
        from meter.gui.window import Window

        self._engine = app.SupervisedEngine(order)
        kept = Settings(cautions_read=True, source=SourceChoice("script", "a long day", {"hours": day.hours}))
        self._window = Window(self._engine, kept, app.surroundings(None, [], ""))
        self._window.resize(1280, 800)
        self._window.show()
        self._settled: tuple[float, float] | None = None
        self._memory = (0.0, 0.0)
        self._first_engine = self._engine.engine_pid
        self._same_engine = False
        self._marks = self._reports = 0

    def play(self) -> None:
        """Until the script ends."""
        began, planned = time.monotonic(), self._day.seconds
        while (elapsed := self._elapsed()) < planned - 0.5:
            self._turn()
            wall = time.monotonic() - began
            settled = elapsed >= SETTLED_SECONDS and wall >= SETTLED_WALL_SECONDS
            if self._settled is None and (settled or elapsed >= SETTLED_SHARE * planned):
                self._settled = self._measured_memory()
            if elapsed >= MARK_EVERY_SECONDS * (self._marks + 1):
                self._marks += 1
                self._engine.mark()
            if elapsed >= planned * self._reports / REPORTS:
                self._reports += 1
                self._report(elapsed, wall)
        for _ in range(100):  # the last readings, and what waits for the disk
            self._turn()
        self._memory = self._measured_memory()
        self._report(self._elapsed(), time.monotonic() - began)
        self._same_engine = self._engine.engine_pid == self._first_engine

    def close(self) -> None:
        """End the engine and the window."""
        self._window.close()
        self._engine.close()

    def failures(self, offline: float) -> list[str]:
        """What does not hold of memory, loudness and gaps."""
        status, integrated = self._frame().status, self._frame().number(LOUDNESS)
        print(f"integrated {integrated:.4f} LUFS live, {offline:.4f} offline; {status.gaps} gaps,", end=" ")
        print(f"{status.lost_frames / RATE_HZ:.2f} s lost; {self._marks} marks")
        found = []
        assert self._settled is not None
        for name, before, after in zip(("window", "engine"), self._settled, self._memory, strict=True):
            if after - before > MOST_GROWTH_MB:
                found.append(f"The {name} process grew by {after - before:.1f} MB.")
        if not abs(integrated - offline) <= MOST_OFF_LU:
            found.append(f"Integrated loudness is {integrated:.3f} LUFS, {offline:.3f} offline.")
        if status.gaps != self._day.planned_gaps or status.quarantined:
            found.append(f"There are {status.gaps} gaps, planned {self._day.planned_gaps}; {status.quarantined}")
        if not self._same_engine:
            found.append("The engine was replaced.")
        return found

    def left(self) -> list[psutil.Process]:
        """Children that still run; the tracker of multiprocessing stays as long as the program."""
        children = self._me.children(recursive=True)
        return [child for child in children if "resource_tracker" not in " ".join(child.cmdline())]

    def _turn(self) -> None:
        self._application.processEvents()
        time.sleep(0.005)

    def _frame(self) -> Frame:
        frame = self._engine.take()
        assert frame is not None
        return frame

    def _elapsed(self) -> float:
        """Seconds of the script; what the device was away is not one of them."""
        frame = self._engine.take()
        if frame is None or not frame.status.rate_hz:
            return 0.0
        away = frame.status.elapsed_seconds - self._day.seconds
        return frame.status.elapsed_seconds - (away if 0.0 < away < AWAY_SECONDS else 0.0)

    def _measured_memory(self) -> tuple[float, float]:
        """MB of the window's process and of the engine's."""
        engine = psutil.Process(self._engine.engine_pid)
        return self._me.memory_info().rss / 1e6, engine.memory_info().rss / 1e6

    def _report(self, elapsed: float, wall: float) -> None:
        window, engine = self._measured_memory()
        frame = self._engine.take()
        words = frame.status.sentence if frame is not None else ""
        print(
            f"{elapsed / 3600:.2f} h in {wall:.0f} s: window {window:.1f} MB, engine {engine:.1f} MB {words}",
            flush=True,
        )


def recorded_failures(day: LongDay, folder: Path, offline: float) -> list[str]:
    """What does not hold of the day record: its seconds, and the loudness that its rows add up to."""
    paths = sorted((folder / FOLDER_NAME).rglob("*.sqlite3"))
    recorded = read_day(paths)
    if recorded.sentence or "mix" not in recorded.feeds:
        return [f"The day record cannot be read: {recorded.sentence}"]
    mix = recorded.feeds["mix"]
    integrated = integrated_lufs(mix)
    size = sum(path.stat().st_size for path in paths) / 1e6
    print(f"day record: {len(mix.at)} rows, {size:.1f} MB, adds up to {integrated:.4f} LUFS")
    found = []
    if not math.isclose(len(mix.at), day.seconds, abs_tol=10.0):
        found.append(f"The day record has {len(mix.at)} rows for {day.seconds:.0f} s.")
    if not abs(integrated - offline) <= MOST_OFF_LU:
        found.append(f"The rows of the day record add up to {integrated:.3f} LUFS, {offline:.3f} offline.")
    return found
