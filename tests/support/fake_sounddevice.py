"""A stand-in for the module ``sounddevice``: devices, refusals and callbacks by hand, on any system."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import numpy as np


class PortAudioError(Exception):
    """As the library's: text first, then the code."""


@dataclass
class Flags:
    """The status of one callback."""

    input_overflow: bool = False

    def __bool__(self) -> bool:
        return self.input_overflow


@dataclass
class Settings:
    """What a host API was told."""

    host_api: str
    told: dict[str, Any]


class FakeStream:
    """Records how it was opened; ``deliver`` calls back as PortAudio would."""

    def __init__(self, **arguments: Any) -> None:
        self.arguments = arguments
        self.samplerate = float(arguments["samplerate"])
        self.latency = arguments["latency"]
        self.started = self.aborted = self.closed = False

    def start(self) -> None:
        self.started = True

    def abort(self, ignore_errors: bool = True) -> None:
        self.aborted = True
        self.arguments["finished_callback"]()

    def close(self, ignore_errors: bool = True) -> None:
        self.closed = True

    def deliver(self, block: np.ndarray, overflow: bool = False) -> None:
        """One callback with ``(frames, channels)``."""
        self.arguments["callback"](block, len(block), None, Flags(overflow))

    def finish(self) -> None:
        """The stream ends by itself."""
        self.arguments["finished_callback"]()


def device(name: str, api: int = 0, inputs: int = 2, rate_hz: float = 48_000.0, outputs: int = 0) -> dict[str, Any]:
    """One entry of the device list."""
    return {
        "name": name,
        "hostapi": api,
        "max_input_channels": inputs,
        "max_output_channels": outputs,
        "default_samplerate": rate_hz,
    }


@dataclass
class FakeSounddevice:
    """Put it into ``sys.modules["sounddevice"]``. ``refuse`` is asked before a stream opens and may raise."""

    devices: list[dict[str, Any]] = field(default_factory=list)
    host_apis: list[str] = field(default_factory=lambda: ["ALSA"])
    default_input: int = 0
    refuse: Any = None
    devices_after_restart: list[dict[str, Any]] | None = None
    streams: list[FakeStream] = field(default_factory=list)
    restarts: int = 0
    PortAudioError: type[Exception] = PortAudioError

    @property
    def default(self) -> Any:
        return SimpleNamespace(device=(self.default_input, -1))

    def query_devices(self) -> list[dict[str, Any]]:
        return self.devices

    def query_hostapis(self) -> list[dict[str, Any]]:
        return [{"name": name, "default_input_device": -1, "default_output_device": -1} for name in self.host_apis]

    def InputStream(self, **arguments: Any) -> FakeStream:
        if self.refuse is not None:
            self.refuse(arguments)
        self.streams.append(FakeStream(**arguments))
        return self.streams[-1]

    def OutputStream(self, **arguments: Any) -> FakeStream:
        return self.InputStream(**arguments)

    def CoreAudioSettings(self, **told: Any) -> Settings:
        return Settings("Core Audio", told)

    def WasapiSettings(self, **told: Any) -> Settings:
        return Settings("Windows WASAPI", told)

    def _terminate(self) -> None:
        self.restarts += 1

    def _initialize(self) -> None:
        if self.devices_after_restart is not None:
            self.devices = self.devices_after_restart
