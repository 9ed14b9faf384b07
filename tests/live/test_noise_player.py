"""Calibration noise on real sound: silent before the press, a slow ramp, never over the cap, gone with its window."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from meter.audio.source import SourceRequest
from meter.engine.process import EngineOrder
from meter.engine.supervisor import Supervisor
from tests.live.conftest import FRONT, SIDE
from tests.live.server import Sink, SoundServer
from tests.live.test_engine import heard

pytestmark = pytest.mark.live
RATE_HZ = 48_000
PLAYER = [sys.executable, "-m", "meter.calibration.noise_player"]


class Recorder:
    """What a sink plays, from ``parec``; ``stop`` gives ``(frames, 2)``."""

    def __init__(self, sink: Sink, folder: Path) -> None:
        self._path = folder / f"{sink.name}.raw"
        words = ["parec", "--raw", "--format=float32le", f"--rate={RATE_HZ}", "--channels=2", "--latency-msec=20"]
        self._words = [*words, f"--device={sink.monitor}"]
        self._start()

    def _start(self) -> None:
        with self._path.open("wb") as file:
            self._process = subprocess.Popen(self._words, stdout=file)

    def sounding(self) -> bool:
        """Whether anything but silence was heard so far; a busy server that refused the recorder is asked again."""
        if self._process.poll() is not None:
            self._start()
        return bool(self._samples().any())

    def stop(self) -> np.ndarray:
        self._process.terminate()
        self._process.wait()
        return self._samples()

    def _samples(self) -> np.ndarray:
        samples = np.fromfile(self._path, dtype="<f4").astype(float)
        return samples[: len(samples) // 2 * 2].reshape(-1, 2)


@pytest.fixture
def recorder(server: SoundServer, tmp_path: Path) -> Iterator[Recorder]:
    made = Recorder(FRONT, tmp_path)
    yield made
    made.stop()


Press = Callable[..., subprocess.Popen[str]]


@pytest.fixture
def press() -> Iterator[Press]:
    """Start the player as the window does on a press; what still plays at the end of the test is ended."""
    players: list[subprocess.Popen[str]] = []

    def start(side: str = "left", sink: Sink = FRONT) -> subprocess.Popen[str]:
        words = [*PLAYER, "--play", side, "--noise", "band", "--kind", "sink", "--output", sink.name]
        players.append(subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True))
        return players[-1]

    yield start
    for player in players:
        player.kill()
        player.wait()
        for pipe in (player.stdin, player.stdout):
            assert pipe is not None
            with contextlib.suppress(BrokenPipeError):
                pipe.close()


def keep_alive(player: subprocess.Popen[str], seconds: float) -> None:
    assert player.stdin is not None
    for _ in range(round(seconds / 0.5)):
        with contextlib.suppress(BrokenPipeError):
            player.stdin.write("alive\n")
            player.stdin.flush()
        time.sleep(0.5)


def wait_until_sounding(recorder: Recorder, seconds: float = 15.0) -> None:
    end = time.monotonic() + seconds
    while not recorder.sounding():
        assert time.monotonic() < end, "the player is not heard"
        time.sleep(0.05)


def levels_dbfs(samples: np.ndarray, column: int) -> np.ndarray:
    """Level of each half second where a full-scale sine reads 0 (AES17), from where it begins to sound."""
    wave = samples[np.flatnonzero(samples.any(axis=1))[0] :, column]
    halves = wave[: len(wave) // 24_000 * 24_000].reshape(-1, 24_000)
    return 10.0 * np.log10(np.mean(halves**2, axis=1) + 1e-20) + 3.0103


def test_silent_before_the_press_then_a_slow_ramp_to_the_cap_and_off_at_once(
    server: SoundServer, recorder: Recorder, press: Press
) -> None:
    listing = json.loads(subprocess.run([*PLAYER, "--list"], capture_output=True, check=True).stdout)
    assert {"front", "side"} <= {item["name"] for item in listing["outputs"]}
    time.sleep(0.3)
    assert not recorder.sounding(), "listing outputs plays nothing"
    player = press("both")
    wait_until_sounding(recorder)
    keep_alive(player, 22.5)
    asked = time.monotonic()
    rest, _ = player.communicate("stop\n", timeout=10)
    assert time.monotonic() - asked < 2.0
    assert json.loads(rest.splitlines()[-1]) == {"say": "ended", "sentence": ""}
    time.sleep(0.5)
    samples = recorder.stop()
    assert not samples[-9600:].any(), "silent again"
    for column in (0, 1):
        levels = levels_dbfs(samples, column)
        assert levels[0] == pytest.approx(-49.6, abs=1.0)
        assert np.polyfit(np.arange(36) / 2.0, levels[:36], 1)[0] == pytest.approx(1.5, abs=0.1)
        assert levels.max() == pytest.approx(-20.0, abs=0.4), "half seconds of noise move by a few tenths"
        assert np.abs(samples[:, column]).max() <= 0.5
    together = samples[np.flatnonzero(samples.any(axis=1))[0] + 20 * RATE_HZ :][: 2 * RATE_HZ]
    assert abs(np.corrcoef(together.T)[0, 1]) < 0.1


WINDOW = """
import subprocess, sys, time
player = subprocess.Popen(sys.argv[1:], stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True)
print(player.pid, flush=True)
while True:
    player.stdin.write("alive\\n")
    player.stdin.flush()
    time.sleep(0.5)
"""


def is_running(pid: int) -> bool:
    try:
        return "State:\tZ" not in Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return False


def test_it_dies_with_its_window(server: SoundServer, recorder: Recorder) -> None:
    words = [*PLAYER, "--play", "left", "--noise", "band", "--kind", "sink", "--output", FRONT.name]
    window = subprocess.Popen([sys.executable, "-c", WINDOW, *words], stdout=subprocess.PIPE, text=True)
    assert window.stdout is not None
    pid = int(window.stdout.readline())
    wait_until_sounding(recorder)
    os.kill(window.pid, signal.SIGKILL)
    window.communicate(timeout=10)
    end = time.monotonic() + 5.0
    while is_running(pid):
        assert time.monotonic() < end, "the noise outlives its window"
        time.sleep(0.05)
    time.sleep(0.3)
    assert not recorder.stop()[-4800:].any()


def test_what_it_plays_is_what_the_listening_meter_reads(server: SoundServer, press: Press) -> None:
    """Through the real engine: the level held by the player, under A, in the left channel alone."""
    supervisor = Supervisor(EngineOrder(SourceRequest("monitor", FRONT.monitor)))
    try:
        heard(supervisor, lambda frame: frame.status.state == "running")
        player = press()
        assert player.stdin is not None
        assert player.stdout is not None
        keep_alive(player, 2.0)
        player.stdin.write("hold\n")
        player.stdin.flush()
        frame = None
        for _ in range(8):
            keep_alive(player, 0.5)
            supervisor.poll()
            frame = supervisor.take() or frame
        player.stdin.write("stop\n")
        player.stdin.flush()
        told = [json.loads(line) for line in player.stdout.read().splitlines()]
        level = [message["dbfs_rms"] for message in told if message.get("rising") is False][-1]
        assert frame is not None
        left, right = frame.vector("listening.feed_each")
        assert left == pytest.approx(level - 0.16, abs=0.5)
        assert right == -np.inf
        assert np.isnan(frame.number("listening.seat_now")), "without a calibration there is no level at the seat"
    finally:
        supervisor.close()


def test_a_window_that_hangs_ends_it(server: SoundServer, recorder: Recorder, press: Press) -> None:
    player = press()
    wait_until_sounding(recorder)
    assert player.stdout is not None
    rest = player.stdout.read()
    assert "no longer answered" in json.loads(rest.splitlines()[-1])["sentence"]
    assert player.wait(timeout=5) == 0


def test_an_output_that_goes_away_ends_it_before_it_plays_elsewhere_for_long(
    fresh_server: SoundServer, tmp_path: Path, press: Press
) -> None:
    elsewhere, here = Recorder(FRONT, tmp_path), Recorder(SIDE, tmp_path)
    player = press(sink=SIDE)
    wait_until_sounding(here)
    fresh_server.remove(SIDE)
    keep_alive(player, 1.0)
    assert player.stdout is not None
    last = json.loads(player.stdout.read().splitlines()[-1])
    assert last["say"] == "ended"
    assert last["sentence"]
    here.stop()
    strayed = elsewhere.stop()
    assert np.count_nonzero(strayed.any(axis=1)) < 1.5 * RATE_HZ
    assert player.wait(timeout=5) == 0
