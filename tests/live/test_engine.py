"""Main job on real sound: what a sink plays, through PortAudio and the real engine process, to readings."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest

from dsp.core.signals import tone
from meter.audio.source import SourceRequest
from meter.engine.process import EngineOrder
from meter.engine.supervisor import Supervisor
from meter.readings import Frame
from tests.live.conftest import FRONT
from tests.live.server import SoundServer, counter
from tests.support.plugins import write_meter

pytestmark = pytest.mark.live
RATE_HZ = 48_000
BY_NAME = SourceRequest("monitor", FRONT.monitor)
PORTAUDIO = SourceRequest("device", "pulse", {"rate_hz": RATE_HZ})
"""PortAudio's way to the server; which source it records is said by ``PULSE_SOURCE``."""
ROADS = {"by name": BY_NAME, "through PortAudio": PORTAUDIO}


def heard(supervisor: Supervisor, wanted: Callable[[Frame], bool], seconds: float = 20.0) -> Frame:
    """Look after the engine as the window does until a frame is as wanted."""
    end = time.monotonic() + seconds
    frame = None
    while time.monotonic() < end:
        supervisor.poll()
        frame = supervisor.take()
        if frame is not None and wanted(frame):
            return frame
        time.sleep(0.02)
    raise AssertionError(f"not heard in {seconds} s; last: {frame.status if frame else None}")


@pytest.fixture(scope="module", params=ROADS)
def supervisor(server: SoundServer, request: pytest.FixtureRequest) -> Iterator[Supervisor]:
    """One engine for the tests of a road; each resets it in the middle of its own sound."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PULSE_SOURCE", FRONT.monitor)
        supervisor = Supervisor(EngineOrder(ROADS[request.param]))
        heard(supervisor, lambda frame: frame.status.state == "running")
        yield supervisor
        supervisor.close()


def sounding(supervisor: Supervisor) -> None:
    """Begin to measure in the middle of the sound, so that its onset is no part of the readings."""
    supervisor.reset()
    heard(supervisor, lambda frame: frame.status.frames < RATE_HZ)
    heard(supervisor, lambda frame: frame.number("vu.max") > -4.0)
    supervisor.reset()
    heard(supervisor, lambda frame: frame.status.frames < RATE_HZ)


def test_a_tone_of_997_hz_reads_what_it_is(supervisor: Supervisor, server: SoundServer) -> None:
    """EBU Tech 3341 and BS.1770-5 Annex 1: 997 Hz at -20 dBFS in both channels reads -20 LUFS."""
    feeder = server.play(FRONT, tone(997.0, -20.0, 20.0, RATE_HZ, 2).astype(np.float32))
    sounding(supervisor)
    frame = heard(supervisor, lambda frame: frame.status.frames > 4 * RATE_HZ)
    feeder.stop()
    assert frame.number("loudness.short_term") == pytest.approx(-20.0, abs=0.1)
    assert frame.number("peaks.true_max") == pytest.approx(-20.0, abs=0.1)
    np.testing.assert_allclose(frame.vector("vu.now"), -2.0, atol=0.1)
    assert frame.number("stereo.correlation") == pytest.approx(1.0, abs=0.005)
    assert (frame.status.rate_hz, frame.status.channels, frame.status.lost_frames) == (RATE_HZ, 2, 0)


def test_lows_alike_in_both_channels_lose_nothing_in_mono(supervisor: Supervisor, server: SoundServer) -> None:
    """Closed form: identical channels lose 0 dB when folded together."""
    feeder = server.play(FRONT, tone(60.0, -20.0, 15.0, RATE_HZ, 2).astype(np.float32))
    sounding(supervisor)
    frame = heard(supervisor, lambda frame: frame.status.frames > 4 * RATE_HZ)
    feeder.stop()
    assert frame.number("mono_lows.loss_now") == pytest.approx(0.0, abs=0.05)
    assert frame.number("mono_lows.verdict") == 1.0


def test_an_inverted_channel_is_said_to_vanish_in_mono(supervisor: Supervisor, server: SoundServer) -> None:
    """Closed form: inverted channels correlate with -1 and fold to nothing."""
    wave = tone(997.0, -20.0, 15.0, RATE_HZ, 2) + tone(60.0, -20.0, 15.0, RATE_HZ, 2)
    wave[:, 1] *= -1.0
    feeder = server.play(FRONT, wave.astype(np.float32))
    sounding(supervisor)
    frame = heard(supervisor, lambda frame: frame.status.frames > 4 * RATE_HZ)
    feeder.stop()
    assert frame.number("stereo.correlation") == pytest.approx(-1.0, abs=0.005)
    assert frame.number("mono_lows.verdict") == 3.0
    assert frame.number("mono_lows.loss_now") < -60.0
    summary = frame.summary()
    assert summary["mono_lows.fold_down_loss_db"] is None or summary["mono_lows.fold_down_loss_db"] < -60.0


COUNT_JUMPS = """
import json, os
import numpy as np
numbers = block[:, 0] * 4194304.0
self.last = getattr(self, "last", 0.0)
self.jumps = getattr(self, "jumps", 0)
self.seen = getattr(self, "seen", 0)
joined = np.concatenate([[self.last], numbers])
self.last = float(numbers[-1])
steps = np.diff(joined)
inside = (joined[:-1] != 0) & (joined[1:] != 0)
self.jumps += int((steps[inside] != 1.0).sum())
self.seen += int((numbers != 0).sum())
if self.seen % 48000 < len(block):
    with open(os.environ["JUMPS_FILE"], "w") as file:
        json.dump({"seen": self.seen, "jumps": self.jumps, "lost": getattr(self, "lost", 0)}, file)
"""

WINDOW = """
import json, sys, time
from pathlib import Path
from PySide6.QtCore import QTimer
from meter.app import SupervisedEngine, make_application, surroundings
from meter.audio.source import SourceRequest
from meter.engine.process import EngineOrder
from meter.settings import Settings, SourceChoice

if __name__ == "__main__":
    request, folder, frames, report = json.loads(sys.argv[1]), sys.argv[2], int(sys.argv[3]), sys.argv[4]
    application = make_application()
    from meter.gui.window import Window
    PATIENCE_SECONDS = 120.0
    link = SupervisedEngine(EngineOrder(SourceRequest(**request), folders=(folder,)))
    kept = Settings(cautions_read=True, source=SourceChoice(**{**request, "label": "the front room"}))
    window = Window(link, kept, surroundings(None, [Path(folder)], ""))
    window.show()

    def look():
        frame = link.take()
        if time.monotonic() - began < PATIENCE_SECONDS and (frame is None or frame.status.frames < frames):
            return
        clock.stop()
        status = frame.status
        drawn = window.clock.statistics()
        Path(report).write_text(json.dumps({
            "lost": status.lost_frames, "gaps": status.gaps, "state": status.state, "frames": status.frames,
            "sentence": status.sentence, "invalid": status.invalid_samples, "quarantined": dict(status.quarantined),
            "platform": application.platformName(), "drawn": drawn["frames"], "p95": drawn["frame_ms_p95"],
        }))
        window.close()
        application.quit()

    began, clock = time.monotonic(), QTimer()
    clock.timeout.connect(look)
    clock.start(250)
    sys.exit(application.exec())
"""


@pytest.mark.alone
def test_every_number_of_the_counter_reaches_two_windows_with_every_core_busy(
    server: SoundServer, tmp_path: Path, screen: str
) -> None:
    """One window hears the sink by name, the other through PortAudio's callback; neither loses a frame."""
    frames = 30 * RATE_HZ
    watcher = write_meter(tmp_path / "jumps", "jumps", COUNT_JUMPS)
    script = tmp_path / "window.py"
    script.write_text(WINDOW, encoding="utf-8")
    feeder = server.play(FRONT, counter(5 * frames, 2))
    busy = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(os.cpu_count() or 2)]
    windows = {}
    try:
        for number, (road, request) in enumerate(ROADS.items()):
            place = {"DISPLAY": screen, "QT_QPA_PLATFORM": "xcb", "PULSE_SOURCE": FRONT.monitor}
            place["JUMPS_FILE"] = str(tmp_path / f"jumps{number}.json")
            command = [sys.executable, script, json.dumps(asdict(request)), watcher, str(frames)]
            windows[road] = subprocess.Popen(
                [*command, tmp_path / f"report{number}.json"], env={**os.environ, **place}
            )
        codes = {road: window.wait(timeout=180.0) for road, window in windows.items()}
    finally:
        for process in [*busy, *windows.values()]:
            process.kill()
            process.wait()
        feeder.stop()
    assert codes == dict.fromkeys(ROADS, 0)
    for number, road in enumerate(ROADS):
        drawn = json.loads((tmp_path / f"report{number}.json").read_text(encoding="utf-8"))
        assert drawn["frames"] >= frames, (road, drawn)
        assert (drawn["lost"], drawn["gaps"], drawn["invalid"], drawn["quarantined"]) == (0, 0, 0, {}), (road, drawn)
        seen = json.loads((tmp_path / f"jumps{number}.json").read_text(encoding="utf-8"))
        assert seen["jumps"] == 0, road
        assert seen["seen"] >= frames - 2 * RATE_HZ, road
        assert drawn["platform"] == "xcb"
        assert drawn["drawn"] > 100
