"""A private PulseAudio server with null sinks, for tests that need real audio: no hardware, display or D-Bus.

Sinks are float32, so that nothing clips or is quantised on the way. Feed them a *counter* (sample n is n / 2**22,
exact in float32): every lost, repeated or zeroed sample is then visible to ``judge_counter``.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

COUNTER_PERIOD = 1 << 22
START_SECONDS = 10.0
COMMAND_SECONDS = 10.0
FEED_LATENCY_MS = 2000
"""What the server holds in hand, so that a machine that stops for a second puts no silence into the sound."""
PROGRAMS = ("pulseaudio", "pactl", "pacat", "parec")
FOREIGN_VARIABLES = ("PULSE_SINK", "PULSE_SOURCE", "PULSE_COOKIE", "PULSE_CLIENTCONFIG", "DBUS_SESSION_BUS_ADDRESS")


class ServerUnavailableError(Exception):
    """The server cannot be started here; the text says why."""


@dataclass(frozen=True)
class Sink:
    """A null sink. ``positions`` is its channel map, by default PulseAudio's own for that many channels."""

    name: str
    rate_hz: int = 48_000
    channels: int = 2
    positions: tuple[str, ...] = ()
    description: str = ""

    @property
    def monitor(self) -> str:
        """The name of the source that carries what this sink plays."""
        return f"{self.name}.monitor"

    def module(self) -> list[str]:
        """Name and arguments of the module that makes it."""
        words = [
            "module-null-sink",
            f"sink_name={self.name}",
            f"rate={self.rate_hz}",
            f"channels={self.channels}",
            "format=float32le",
        ]
        if self.positions:
            words.append(f"channel_map={','.join(self.positions)}")
        if self.description:
            words.append(f"sink_properties='device.description=\"{self.description}\"'")
        return words


class SoundServer:
    """Starts the server on entering, points this process's environment at it, and cleans up on leaving."""

    def __init__(self, *sinks: Sink) -> None:
        self._first_sinks = sinks
        self._modules: dict[str, str] = {}
        self._feeders: list[Feeder] = []
        self._process: subprocess.Popen[bytes] | None = None
        self._before: dict[str, str | None] = {}
        self._folder: Path | None = None
        self.sinks: dict[str, Sink] = {}

    def __enter__(self) -> SoundServer:
        absent = [name for name in PROGRAMS if shutil.which(name) is None]
        if absent:
            raise ServerUnavailableError(
                f"{', '.join(absent)} not installed: apt install pulseaudio pulseaudio-utils"
            )
        self._folder = Path(tempfile.mkdtemp(prefix="ew-pulse-"))  # mode 700; short, since socket paths have a limit
        try:
            self._enter_environment()
            self.start()
            for sink in self._first_sinks:
                self.add(sink)
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for feeder in self._feeders:
            feeder.stop()
        self.kill()
        for key, value in self._before.items():
            if value is None:
                os.environ.pop(key, None)
            else:
                os.environ[key] = value
        self._before.clear()
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)

    def start(self) -> None:
        """Start the server without any sink; again after ``kill``."""
        assert self._folder is not None
        self.sinks.clear()
        log = (self._folder / "log").open("ab")
        command = ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--disallow-exit", "--log-level=warn"]
        command += ["-L", "module-native-protocol-unix auth-anonymous=1"]
        with log:
            self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        deadline = time.monotonic() + START_SECONDS
        while not self._answers():
            if self._process.poll() is not None or time.monotonic() > deadline:
                words = (self._folder / "log").read_text(errors="replace").strip().splitlines()
                self.kill()
                raise ServerUnavailableError(f"pulseaudio did not start: {words[-1] if words else 'no message'}")
            time.sleep(0.02)

    def kill(self) -> None:
        """End the server at once, as a crash would."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()

    def add(self, sink: Sink) -> Sink:
        """Load a sink."""
        self._modules[sink.name] = self.pactl("load-module", *sink.module())
        self.sinks[sink.name] = sink
        return sink

    def remove(self, sink: Sink) -> None:
        """Unload a sink, as unplugging an interface would."""
        self.pactl("unload-module", self._modules.pop(sink.name))
        del self.sinks[sink.name]

    def pactl(self, *words: str) -> str:
        """Run ``pactl``; its answer without the line's end."""
        answer = subprocess.run(
            ["pactl", *words], capture_output=True, text=True, timeout=COMMAND_SECONDS, check=True
        )
        return answer.stdout.strip()

    def play(self, sink: Sink, samples: NDArray[np.float32], rate_hz: int | None = None) -> Feeder:
        """Feed ``(frames, channels)`` to ``sink`` in real time, then silence; it has begun to sound on return."""
        feeder = Feeder(sink, samples, rate_hz or sink.rate_hz)
        self._feeders.append(feeder)
        deadline = time.monotonic() + COMMAND_SECONDS
        while "RUNNING" not in self._state_of(sink):
            if time.monotonic() > deadline:
                raise AssertionError(f"nothing sounds on {sink.name}")
            time.sleep(0.02)
        return feeder

    def _state_of(self, sink: Sink) -> str:
        lines = self.pactl("list", "short", "sinks").splitlines()
        return next((line for line in lines if f"\t{sink.name}\t" in line), "")

    def _answers(self) -> bool:
        return subprocess.run(["pactl", "info"], capture_output=True, timeout=COMMAND_SECONDS).returncode == 0

    def _enter_environment(self) -> None:
        folder = str(self._folder)
        ours: Mapping[str, str | None] = {
            "HOME": folder,
            "XDG_RUNTIME_DIR": folder,
            "PULSE_RUNTIME_PATH": folder,
            "PULSE_SERVER": f"unix:{folder}/native",
            **dict.fromkeys(FOREIGN_VARIABLES),
        }
        self._before = {key: os.environ.get(key) for key in ours}
        for key, value in ours.items():
            if value is None:
                os.environ.pop(key, None)
            else:
                os.environ[key] = value


class Feeder:
    """One ``pacat`` that plays an array once."""

    def __init__(self, sink: Sink, samples: NDArray[np.float32], rate_hz: int) -> None:
        if samples.ndim != 2 or samples.shape[1] != sink.channels:
            raise ValueError(f"{sink.name} takes (frames, {sink.channels}), not {samples.shape}")
        command = [
            "pacat",
            "--raw",
            "--format=float32le",
            f"--rate={rate_hz}",
            f"--channels={sink.channels}",
            f"--latency-msec={FEED_LATENCY_MS}",
            f"--device={sink.name}",
        ]
        if sink.positions:
            command.append(f"--channel-map={','.join(sink.positions)}")
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        self._thread = threading.Thread(target=self._feed, args=(samples.astype("<f4").tobytes(),), daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop playing; may be called twice."""
        self._process.kill()
        self._process.wait()
        self._thread.join()

    def _feed(self, data: bytes) -> None:
        assert self._process.stdin is not None
        try:
            with self._process.stdin as pipe:
                pipe.write(data)
        except BrokenPipeError:
            pass  # stopped before the end, or its server went away


def counter(frames: int, channels: int) -> NDArray[np.float32]:
    """1, 2, 3… over 2**22, alike in every channel; begins at 1 so that a zero is never the counter's."""
    numbers = np.arange(1, frames + 1, dtype=np.int64) % COUNTER_PERIOD
    return np.repeat((numbers / COUNTER_PERIOD).astype(np.float32)[:, np.newaxis], channels, axis=1)


def tones(seconds: float, rate_hz: int, frequencies_hz: Sequence[float], peak: float = 0.25) -> NDArray[np.float32]:
    """A sine of its own frequency on each channel."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return (peak * np.sin(2 * np.pi * np.outer(time_s, frequencies_hz))).astype(np.float32)


@dataclass(frozen=True)
class CounterReport:
    """What became of a counter: ``frames`` of it came, with ``jumps`` where the next number was not the next.

    ``missing`` is the sum of all forward jumps in frames.
    """

    frames: int
    jumps: int
    missing: int


def judge_counter(samples: NDArray[np.float32]) -> CounterReport:
    """Look at one channel, leaving out the silence before the counter began and after it ended."""
    sounding = np.flatnonzero(samples)
    if not len(sounding):
        return CounterReport(0, 0, 0)
    stretch = samples[sounding[0] : sounding[-1] + 1].astype(np.float64) * COUNTER_PERIOD
    steps = np.diff(stretch)
    wrong = steps[steps != 1.0]
    return CounterReport(len(stretch), len(wrong), int(np.sum(wrong[wrong > 1] - 1)))
