"""What the window process costs: processor time of all of it, on a virtual screen, software raster. Reports only.

    python -m tests.bench.window_cost [pages, such as 1,2] [seconds] [rounds] [scale]

The readings are made first, 60 a second of sound, and then shown as the window shows those
of an engine: through the shared block, by its own timer. Processor time is that of the whole window process from one
frame to another, in per cent of one core at 60 frames a second. A busy machine drops frames; the cost of a frame
stays, so the rate at which they were shown does not matter. The page of the low end has nine parts, of an invented
loop; the first page has the demo.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from statistics import median
from typing import Any

import numpy as np

WIDTH, HEIGHT = 1280, 800
RATE_HZ = 48_000
FRAMES_PER_SECOND = 60
PARTS_SHOWN = 9
WARM_UP_SECONDS = 40
"""Of sound before the first reading: what the low end finds is told then."""
SETTLE_FRAMES = 120


Blocks = Callable[[int, int], np.ndarray]
"""Given a first frame and a number of them: float64 ``(frames, channels)``."""


def demo() -> tuple[Blocks, dict[str, tuple[int, ...]]]:
    """The demo with its parts."""
    from meter.demo import prepare
    from meter.demo.parts import MIX, PARTS, feed_columns

    music = prepare(keys=(MIX.key, *(part.key for part in PARTS)))
    return lambda start, frames: music.read(start, frames).astype(np.float64), feed_columns()


def nine_parts() -> tuple[Blocks, dict[str, tuple[int, ...]]]:
    """Nine mono parts of the other bench's loop, two of them a kick and a bass, and their mix."""
    from meter.commands.bench import low_parts

    loop = low_parts()[:, 2 : 2 + PARTS_SHOWN]
    loop = 3.0 * np.column_stack([loop.sum(axis=1), loop.sum(axis=1), loop])
    names = ["kick", "bass", *(f"part {number}" for number in range(3, PARTS_SHOWN + 1))]
    feeds = {"mix": (0, 1)} | {f"part {name}": (2 + number,) for number, name in enumerate(names)}
    return lambda start, frames: np.take(loop, range(start, start + frames), axis=0, mode="wrap"), feeds


def readings(seconds: float, sound: Callable[[], tuple[Blocks, dict[str, tuple[int, ...]]]]) -> tuple[Any, Any, Any]:
    """Layout, values ``(frames, total)`` and packed status ``(frames, words)`` of some sound, 60 a second."""
    from meter.engine.chain import Chain
    from meter.engine.guard import GuardedMeter
    from meter.engine.status import pack_status
    from meter.plugin.host import discover, usable
    from meter.readings import FeedStatus

    blocks, feeds = sound()
    channels = 1 + max(max(columns) for columns in feeds.values())
    chain = Chain([GuardedMeter(plugin) for plugin in usable(discover())], RATE_HZ, channels, feeds)
    step = RATE_HZ // FRAMES_PER_SECOND
    warm = WARM_UP_SECONDS * RATE_HZ
    for start in range(0, warm, RATE_HZ):
        chain.process(blocks(start, RATE_HZ))
        chain.read()
    values, status = [], []
    for number in range(round(seconds * FRAMES_PER_SECOND)):
        chain.process(blocks(warm + number * step, step))
        values.append(chain.read().copy())
        heard = warm + (number + 1) * step
        status.append(pack_status(FeedStatus("demo", RATE_HZ, channels, "running", "", heard, latency_seconds=0.0)))
    return chain.layout, np.array(values), np.array(status)


class Played:
    """A link that shows readings made before, one more at each look, through a shared block as an engine does."""

    def __init__(self, layout: Any, values: np.ndarray, status: np.ndarray) -> None:
        from meter.engine.messages import LayoutChanged, SourceOpened
        from meter.engine.received import Received
        from meter.engine.snapshot import SharedSnapshot

        self._values, self._status = values, status
        self._block = SharedSnapshot.create()
        self._received = Received(lambda _key: None)
        self._received.apply(LayoutChanged.of(1, layout))
        self._received.apply(SourceOpened("demo"))
        self.shown = 0
        self.spent = 0.0

    def take(self) -> Any:
        """The next readings; the time that the engine's side of it takes is not counted."""
        begin = time.process_time()
        number = self.shown % len(self._values)
        self._block.publish(1, self._status[number], self._values[number])
        self.shown += 1
        self.spent += time.process_time() - begin
        snapshot = self._block.take()
        assert snapshot is not None
        words = self._status.shape[1]
        return self._received.frame(1, snapshot.values[:words], snapshot.values[words:])

    def close(self) -> None:
        """A window was closed; the next one shows the same readings."""

    def remove(self) -> None:
        """Remove the block."""
        self._block.close()

    def __getattr__(self, name: str) -> Any:
        return lambda *_: None


def shown(page: int, link: Played, frames: int) -> float:
    """Processor seconds of this process for a frame of a page."""
    from PySide6.QtCore import QTimer
    from PySide6.QtWidgets import QApplication

    from meter.app import surroundings
    from meter.gui.kit.draw_clock import Pace
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
    links = {page: Played(*readings(seconds, demo if page == 1 else nine_parts)) for page in pages}
    each: dict[int, list[float]] = {page: [] for page in pages}
    for _ in range(rounds):
        for page in pages:
            each[page].append(shown(page, links[page], round(seconds * FRAMES_PER_SECOND)))
    for page, costs in each.items():
        share = [cost * FRAMES_PER_SECOND * 100.0 for cost in costs]
        print(
            f"page {page}, {WIDTH}x{HEIGHT}: {median(costs) * 1000.0:.2f} ms a frame, {median(share):.1f} % of one "
            f"core at {FRAMES_PER_SECOND} frames a second ({min(share):.1f} to {max(share):.1f})"
        )
    for link in links.values():
        link.remove()
    del application


if __name__ == "__main__":
    main()
