"""Processor time of the two whole processes of a live run: engine with its studies and recorder, and window.

Each case runs in a process of its own, in real time, on Qt's offscreen screen (software raster, no display needed).
"""

from __future__ import annotations

import importlib.util
import multiprocessing
import os
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from meter.audio.source import SourceRequest
from meter.children import end_with_parent, start_child

WIDTH, HEIGHT = 1280, 800
WARM_UP_SECONDS = 15.0
"""From the first reading; the account of the low end has its findings by then."""
MEASURED_SECONDS = 15.0
START_SECONDS = 90.0
NOT_DRAWN_SLOWER_SECONDS = 60.0
"""A budget for one frame that no frame reaches, so that a busy machine does not lower the frame rate."""


@dataclass(frozen=True)
class LiveCase:
    """A source with its feeds, and the page that is shown meanwhile."""

    request: SourceRequest
    page: str
    feeds: Mapping[str, tuple[int, ...]] | None = None


def measured_live(case: LiveCase) -> dict[str, float] | str:
    """Per cent of one core: ``engine_core_percent`` and ``window_core_percent``; a sentence where that fails."""
    if process_clock(os.getpid()) is None:
        return "The processor time of another process can be read on Linux, or with psutil (pip install psutil)."
    context = multiprocessing.get_context("spawn")
    pipe, theirs = context.Pipe(duplex=False)
    process = context.Process(target=_run_case, args=(theirs, case))
    start_child(process)
    theirs.close()
    try:
        if not pipe.poll(START_SECONDS + WARM_UP_SECONDS + MEASURED_SECONDS):
            return "The window showed no readings in time."
        found: dict[str, float] | str = pipe.recv()
        return found
    except EOFError:
        return "The window process ended; run “earwitness doctor” to see what the window lacks."
    finally:
        process.kill()
        process.join()
        pipe.close()


def process_clock(pid: int) -> float | None:
    """Processor seconds of a process so far, user and system, all threads; None where they cannot be read."""
    counters = Path(f"/proc/{pid}/stat")
    if counters.exists():
        # proc(5): utime and stime are fields 14 and 15; the name in field 2 may hold spaces.
        fields = counters.read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    if importlib.util.find_spec("psutil") is None:
        return None
    times = importlib.import_module("psutil").Process(pid).cpu_times()
    return float(times.user + times.system)


def _run_case(pipe: Connection, case: LiveCase) -> None:
    """Main function of the window process: sends its one result."""
    end_with_parent()
    os.environ["QT_QPA_PLATFORM"] = "offscreen"
    try:
        with tempfile.TemporaryDirectory(prefix="earwitness-bench-") as folder:
            pipe.send(_show(case, Path(folder)))
    except Exception as error:  # a bench reports what it cannot measure
        pipe.send(f"The window could not be measured ({type(error).__name__}: {error}).")


def _show(case: LiveCase, folder: Path) -> dict[str, float] | str:
    from meter.app import SupervisedEngine, make_application, surroundings
    from meter.engine.process import EngineOrder
    from meter.gui.kit.draw_clock import Pace
    from meter.gui.window import Window
    from meter.settings import Settings, SourceChoice

    application = make_application()  # lives as long as the window
    order = EngineOrder(case.request, feeds=case.feeds, logbook=str(folder / "exposure.sqlite"))
    engine = SupervisedEngine(order)
    source = SourceChoice(case.request.kind, case.request.name, label="bench")
    kept = Settings(theme="dark", cautions_read=True, source=source, page=case.page)
    window = Window(engine, kept, surroundings(None, [], ""))
    window.clock.pace = Pace(budget_seconds=NOT_DRAWN_SLOWER_SECONDS)
    window.resize(WIDTH, HEIGHT)
    window.show()
    try:
        _turn(START_SECONDS, lambda: _is_running(engine))
        if not _is_running(engine):
            return "The engine gave no readings in time."
        _turn(WARM_UP_SECONDS)
        return _shares(engine.engine_pid)
    finally:
        window.close()
        del application


def _shares(engine_pid: int) -> dict[str, float]:
    def clocks() -> tuple[float, float, float]:
        return time.monotonic(), process_clock(engine_pid) or 0.0, time.process_time()

    before = clocks()
    _turn(MEASURED_SECONDS)
    wall, engine, window = (after - begin for after, begin in zip(clocks(), before, strict=True))
    return {"engine_core_percent": 100.0 * engine / wall, "window_core_percent": 100.0 * window / wall}


def _is_running(engine: Any) -> bool:
    frame = engine.take()
    return frame is not None and frame.status.state == "running" and frame.status.elapsed_seconds > 0.0


def _turn(seconds: float, until: Callable[[], bool] | None = None) -> None:
    """Run the window's event loop for ``seconds``, or until a condition holds (tested ten times a second)."""
    from PySide6.QtCore import QEventLoop, QTimer

    loop = QEventLoop()  # quitting the application would close the window
    end = QTimer(singleShot=True, interval=round(seconds * 1000.0))
    end.timeout.connect(loop.quit)
    end.start()
    if until is not None:
        look = QTimer(interval=100)
        look.timeout.connect(lambda: loop.quit() if until() else None)
        look.start()
    loop.exec()
