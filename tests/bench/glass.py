"""How old sound is when it is seen, and how soon a started window shows it. Reports, does not judge.

    python -m tests.bench.glass [latency in seconds] [seconds of measuring]

A counter plays into a null sink of a private sound server. A recorder of the bench's own, at the server's shortest
latency, notes when each number came out of the sink; a little meter carries the newest number it heard through the
engine to the window, on a virtual screen; and each paint of a face is held against the clock. The newest sound of a
picture waited least, the oldest that is new in it waited most. What the screen itself takes is not in it, and the
short latency of the bench's recorder may make the server serve everybody sooner than it would alone.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
from bisect import bisect_left
from pathlib import Path

import numpy as np

RATE_HZ = 48_000
RECORDER_MS = 1
SETTLE_SECONDS = 3.0
COUNT = "self.total = float(block[-1, 0]) * 4194304.0"


class Arrivals:
    """When each number of the counter was first recorded: in a thread of its own."""

    def __init__(self, source: str) -> None:
        command = ["parec", "--raw", "--format=float32le", f"--rate={RATE_HZ}", "--channels=2"]
        self._recorder = subprocess.Popen(
            [*command, f"--latency-msec={RECORDER_MS}", f"--device={source}"], stdout=subprocess.PIPE, bufsize=0
        )
        self.numbers: list[int] = []
        self.times_ns: list[int] = []
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        pipe = self._recorder.stdout
        assert pipe is not None
        held = b""
        while data := pipe.read(65_536):
            now = time.monotonic_ns()
            held += data
            whole = len(held) // 8 * 8
            newest = float(np.frombuffer(held[:whole], "<f4")[-2]) if whole else 0.0
            held = held[whole:]
            if newest > 0.0:
                self.times_ns.append(now)
                self.numbers.append(round(newest * 4194304.0))

    def age_ms(self, number: int, seen_ns: int) -> float:
        """How long ago the number was recorded."""
        place = bisect_left(self.numbers, number)
        return (seen_ns - self.times_ns[place]) / 1e6 if place < len(self.times_ns) else float("nan")

    def stop(self) -> None:
        """End the recorder."""
        self._recorder.kill()
        self._recorder.wait()


def main() -> None:
    """Set the scene, look for a while, print."""
    from tests.live.conftest import FRONT
    from tests.live.server import SoundServer, counter
    from tests.support.plugins import write_meter

    latency = float(sys.argv[1]) if len(sys.argv) > 1 else 0.02
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 20.0
    read, write = os.pipe()
    screen = subprocess.Popen(
        ["Xvfb", "-displayfd", str(write), "-screen", "0", "1400x900x24", "-nolisten", "tcp"], pass_fds=[write]
    )
    os.close(write)
    with os.fdopen(read) as numbers:
        os.environ |= {"DISPLAY": f":{numbers.readline().strip()}", "QT_QPA_PLATFORM": "xcb"}
    try:
        with tempfile.TemporaryDirectory() as folder, SoundServer(FRONT) as server:
            watcher = write_meter(Path(folder) / "newest", "newest", COUNT)
            feeder = server.play(FRONT, counter(int((seconds + 30.0) * RATE_HZ), 2))
            arrivals = Arrivals(FRONT.monitor)
            report(*look(FRONT.monitor, latency, seconds, watcher), arrivals)
            arrivals.stop()
            feeder.stop()
    finally:
        screen.terminate()
        screen.wait()


def look(source: str, latency: float, seconds: float, watcher: Path) -> tuple[float, list[tuple[int, int]]]:
    """Seconds from here to the first painted reading, and ``(newest number, when painted)`` of each picture."""
    began_ns = time.monotonic_ns()
    from PySide6.QtCore import QEvent, QObject, QTimer

    from meter.app import SupervisedEngine, make_application, surroundings
    from meter.audio.source import SourceRequest
    from meter.engine.process import EngineOrder
    from meter.plugin.face import Face
    from meter.settings import Settings, SourceChoice

    request = SourceRequest("monitor", source, {"latency_seconds": latency})
    link = SupervisedEngine(EngineOrder(request, folders=(str(watcher),)))
    application = make_application()
    from meter.gui.window import Window

    pictures: list[tuple[int, int]] = []

    class Eye(QObject):
        def eventFilter(self, watched: QObject, event: QEvent) -> bool:
            if event.type() != QEvent.Type.Paint or not isinstance(watched, Face):
                return False
            watched.event(event)
            frame = link.take()
            number = frame.number("newest.total") if frame is not None else float("nan")
            if number > 0.0:
                pictures.append((round(number), time.monotonic_ns()))
            return True

    choice = SourceChoice(kind="monitor", name=source, options=dict(request.options), label="the front room")
    window = Window(link, Settings(cautions_read=True, source=choice), surroundings(None, [watcher], ""))
    eye = Eye()
    application.installEventFilter(eye)
    window.show()
    QTimer.singleShot(int((seconds + SETTLE_SECONDS) * 1000), application.quit)
    application.exec()
    first = (pictures[0][1] - began_ns) / 1e9 if pictures else float("nan")
    window.close()
    return first, pictures


def report(first_seconds: float, pictures: list[tuple[int, int]], arrivals: Arrivals) -> None:
    """Print what was seen."""
    print(f"from the start of the window's work to the first painted reading: {first_seconds:.2f} s")
    newest, oldest, before = [], [], 0
    settled = pictures[0][1] + SETTLE_SECONDS * 1e9
    for number, seen_ns in pictures:
        if number > before and before and seen_ns > settled:
            newest.append(arrivals.age_ms(number, seen_ns))
            oldest.append(arrivals.age_ms(before + 1, seen_ns))
        before = max(before, number)
    for name, ages in (("newest", newest), ("oldest", oldest)):
        middle, high = np.nanpercentile(ages, (50, 95))
        print(f"{name} sound of a picture: median {middle:.0f} ms, 95th percentile {high:.0f} ms ({len(ages)})")


if __name__ == "__main__":
    main()
