"""What the window process costs: processor time of all of it, on a virtual screen, software raster. Reports only.

    python -m tests.bench.window_cost [pages, such as 1,2] [seconds] [rounds] [scale]

The readings of the demo with its parts are made first, 60 a second of sound, and then shown as the window shows those
of an engine: through the shared block, by its own timer. Processor time is that of the whole window process from one
frame to another, in per cent of one core at 60 frames a second. A busy machine drops frames; the cost of a frame
stays, so the rate at which they were shown does not matter. A page of the low end has as many parts as the demo.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from statistics import median
from typing import Any

import numpy as np

WIDTH, HEIGHT = 1280, 800
RATE_HZ = 48_000
FRAMES_PER_SECOND = 60
WARM_UP_SECONDS = 24
"""Of sound before the first reading: what the low end finds is told then."""
SETTLE_FRAMES = 120


def readings(seconds: float) -> tuple[Any, np.ndarray, np.ndarray]:
    """Layout, values ``(frames, total)`` and packed status ``(frames, words)`` of the demo, 60 a second."""
    from meter.demo import prepare
    from meter.demo.parts import MIX, PARTS, channel_names, feed_columns
    from meter.engine.chain import Chain
    from meter.engine.guard import GuardedMeter
    from meter.engine.status import pack_status
    from meter.plugin.host import discover, usable
    from meter.readings import FeedStatus

    music = prepare(keys=(MIX.key, *(part.key for part in PARTS)))
    meters = [GuardedMeter(plugin) for plugin in usable(discover())]
    chain = Chain(meters, RATE_HZ, music.channels, feed_columns(), channel_names())
    step = RATE_HZ // FRAMES_PER_SECOND
    warm = WARM_UP_SECONDS * RATE_HZ
    for start in range(0, warm, RATE_HZ):
        chain.process(music.read(start, RATE_HZ).astype(np.float64))
        chain.read()
    values, status = [], []
    for number in range(round(seconds * FRAMES_PER_SECOND)):
        chain.process(music.read(warm + number * step, step).astype(np.float64))
        values.append(chain.read().copy())
        heard = warm + (number + 1) * step
        status.append(pack_status(FeedStatus("demo", RATE_HZ, music.channels, "running", "", heard)))
    return chain.layout, np.array(values), np.array(status)


class Played:
    """A link that shows readings made before, one more at each look, through a shared block as an engine does."""

    def __init__(self, layout: Any, values: np.ndarray, status: np.ndarray) -> None:
        from meter.engine.supervisor import Supervisor

        class Alone(Supervisor):
            """Without an engine."""

            def _start(self) -> None:
                self._words.forget()
                self._last_count = 0

        self._values, self._status = values, status
        self._supervisor = Alone(_no_order())
        self._supervisor._words.hear({"say": "layout", "generation": 1, "slots": layout.to_plain()})
        self._supervisor._words.hear({"say": "source", "source": "demo"})
        self.shown = 0
        self.spent = 0.0

    def take(self) -> Any:
        """The next readings; the time that the engine's side of it takes is not counted."""
        begin = time.process_time()
        number = self.shown % len(self._values)
        self._supervisor._block.publish(1, self._status[number], self._values[number])
        self.shown += 1
        self.spent += time.process_time() - begin
        return self._supervisor.take()

    def close(self) -> None:
        """A window was closed; the next one shows the same readings."""

    def remove(self) -> None:
        """Remove the block."""
        self._supervisor.close()

    def __getattr__(self, name: str) -> Any:
        return lambda *_: None


def _no_order() -> Any:
    from meter.engine.process import EngineOrder

    return EngineOrder(None)


def shown(page: int, link: Played, frames: int) -> float:
    """Processor seconds of this process for a frame of a page."""
    from PySide6.QtCore import QTimer
    from PySide6.QtWidgets import QApplication

    from meter.app import surroundings
    from meter.gui.clock import Pace
    from meter.gui.window import Window
    from meter.settings import Settings, SourceChoice

    kept = Settings(theme="dark", cautions_read=True, source=SourceChoice("demo", label="the demo"))
    window = Window(link, kept, surroundings(None, [], ""))
    window.clock.pace = Pace(budget_seconds=60.0)  # it goes by the clock: other programs would slow the drawing
    window.resize(WIDTH, HEIGHT)
    window.turn_to(page - 1)
    window.show()
    application = QApplication.instance()
    assert application is not None
    first = link.shown
    found: dict[str, float] = {}

    def look() -> None:
        done = link.shown - first
        if "begin" not in found and done >= SETTLE_FRAMES:
            found["begin"], found["from"] = time.process_time() - link.spent, done
        elif "begin" in found and done >= found["from"] + frames:
            found["each"] = (time.process_time() - link.spent - found["begin"]) / (done - found["from"])
            application.quit()

    watch = QTimer()
    watch.setInterval(100)
    watch.timeout.connect(look)
    watch.start()
    application.exec()
    watch.stop()
    if picture := os.environ.get("WINDOW_PICTURE"):
        window.grab().save(picture.format(page=page))
    window.close()
    return found["each"]


def main() -> None:
    """Open a screen, show, print."""
    given = [*sys.argv[1:], *["1,2", "20", "3", "1"][len(sys.argv) - 1 :]]
    pages, seconds, rounds = [int(page) for page in given[0].split(",")], float(given[1]), int(given[2])
    os.environ["QT_SCALE_FACTOR"] = given[3]
    read, write = os.pipe()
    screen = subprocess.Popen(
        ["Xvfb", "-displayfd", str(write), "-screen", "0", "2700x1700x24", "-nolisten", "tcp"], pass_fds=[write]
    )
    os.close(write)
    with os.fdopen(read) as numbers:
        os.environ |= {"DISPLAY": f":{numbers.readline().strip()}", "QT_QPA_PLATFORM": "xcb"}
    try:
        run(pages, seconds, rounds)
    finally:
        screen.terminate()
        screen.wait()


def run(pages: list[int], seconds: float, rounds: int) -> None:
    """Show each page some times, in turn."""
    from meter.app import make_application

    application = make_application()
    link = Played(*readings(seconds))
    each: dict[int, list[float]] = {page: [] for page in pages}
    for _ in range(rounds):
        for page in pages:
            each[page].append(shown(page, link, round(seconds * FRAMES_PER_SECOND)))
    for page, costs in each.items():
        share = [cost * FRAMES_PER_SECOND * 100.0 for cost in costs]
        print(
            f"page {page}, {WIDTH}x{HEIGHT}: {median(costs) * 1000.0:.2f} ms a frame, {median(share):.1f} % of one "
            f"core at {FRAMES_PER_SECOND} frames a second ({min(share):.1f} to {max(share):.1f})"
        )
    link.remove()
    del application


if __name__ == "__main__":
    main()
