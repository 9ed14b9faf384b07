"""PortAudio's devices. ``sounddevice`` is imported at the first use; its absence is one sentence."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np  # noqa: F401  before any stream opens: imported first in a callback it crashed on macOS

from meter.audio.source import SourceError

LINE_BY_SYSTEM = {
    "linux": "run `apt install libportaudio2` (Debian, Ubuntu), `dnf install portaudio` (Fedora) "
    "or `pacman -S portaudio` (Arch)",
    "darwin": "run `pip install --force-reinstall sounddevice`, which brings it along",
    "win32": "run `pip install --force-reinstall sounddevice`, which brings it along",
}
CONVERTING_ALSA_DEVICES = ("default", "pulse", "pipewire", "sysdefault", "samplerate", "speexrate", "upmix")
"""ALSA devices that are plug-ins: they accept any rate and convert without notice."""
CONVERTING_HOST_APIS = ("MME", "Windows DirectSound")
"""Host APIs that use the system's mixer, which converts without notice."""

LOOPBACK_MARK = "[Loopback]"
"""Part of PortAudio's name of an input that carries playback."""
PIPEWIRE_LATENCY = "PIPEWIRE_LATENCY"
PIPEWIRE_FRAMES = 1024
"""Requested from PipeWire's ALSA plug-in unless the user set a value: by default it may delay by seconds."""

_lock = threading.Lock()
_held = 0


@dataclass(frozen=True)
class InputDevice:
    """One PortAudio device with inputs, or from ``output_devices`` one with outputs.

    ``index`` is valid only in this process and until PortAudio restarts.
    """

    index: int
    name: str
    host_api: str
    channels: int
    rate_hz: int
    is_default: bool = False

    @property
    def is_loopback(self) -> bool:
        """True if it carries playback (Windows); it delivers nothing while nothing plays."""
        return LOOPBACK_MARK in self.name

    @property
    def converts(self) -> bool:
        """True if the rate may be converted without notice."""
        if self.host_api == "ALSA":
            return self.name in CONVERTING_ALSA_DEVICES
        return self.host_api in CONVERTING_HOST_APIS


def load() -> Any:
    """Import ``sounddevice``. Raises SourceError with the line that installs what is missing."""
    try:
        import sounddevice
    except ImportError as error:
        raise SourceError("The package sounddevice is not installed: run `pip install sounddevice`.") from error
    except OSError as error:  # raised by sounddevice without the library
        fix = LINE_BY_SYSTEM.get(sys.platform, "install the PortAudio library of your system")
        raise SourceError(f"PortAudio is not installed: {fix}, then start again.") from error
    except Exception as error:  # initialisation failed: a PortAudioError, or no memory for callbacks
        raise SourceError(
            f"PortAudio did not start ({error}); close other audio programs or restart the sound server, "
            "then try again."
        ) from error
    return sounddevice


def input_devices() -> list[InputDevice]:
    """Every device with at least one input, in PortAudio's order. Raises SourceError."""
    return _listed("input")


def output_devices() -> list[InputDevice]:
    """Every device with at least one output; ``channels`` counts these. Raises SourceError."""
    return _listed("output")


def _listed(direction: Literal["input", "output"]) -> list[InputDevice]:
    sounddevice = load()
    try:
        apis = sounddevice.query_hostapis()
        devices = sounddevice.query_devices()
        default = sounddevice.default.device[("input", "output").index(direction)]
    except sounddevice.PortAudioError as error:
        raise SourceError(f"PortAudio cannot list its devices ({error}); restart the sound server.") from error
    return [
        InputDevice(
            index=index,
            name=str(device["name"]),
            host_api=str(apis[device["hostapi"]]["name"]),
            channels=int(device[f"max_{direction}_channels"]),
            rate_hz=round(device["default_samplerate"]),
            is_default=index in (default, apis[device["hostapi"]][f"default_{direction}_device"]),
        )
        for index, device in enumerate(devices)
        if device[f"max_{direction}_channels"] > 0
    ]


def find_input(name: str, host_api: str = "") -> InputDevice:
    """Find the input with exactly this name, of ``host_api`` if that is given; an empty name is the default input.

    Of several equal ones the first in PortAudio's list is taken. Raises SourceError that lists the inputs.
    """
    devices = input_devices()
    found = _match(devices, name, host_api)
    if found is None and rescan():
        devices = input_devices()
        found = _match(devices, name, host_api)
    if found is not None:
        return found
    if not devices:
        raise SourceError("PortAudio finds no sound input; connect the interface and choose Rescan.")
    if not name:
        raise SourceError("The system has no default input; choose one from the list of sources.")
    known = ", ".join(f"'{device.name}'" for device in devices[:6])
    raise SourceError(f"The input '{name}' is not there; reconnect it or choose another ({known}).")


def hold() -> None:
    """Count an open stream of this process, which ``rescan`` must not end; ``release`` takes it back. [any]"""
    global _held
    with _lock:
        _held += 1


def release() -> None:
    """Count a closed stream. [any]"""
    global _held
    with _lock:
        _held -= 1


def rescan() -> bool:
    """Restart PortAudio, which lists devices only at its start; returns False while a stream is open.

    A restart would end any open stream of this process.
    """
    sounddevice = load()
    with _lock:
        if _held or not hasattr(sounddevice, "_terminate"):
            return False
        try:
            sounddevice._terminate()
            sounddevice._initialize()
        except sounddevice.PortAudioError as error:
            raise SourceError(f"PortAudio did not start again ({error}); restart Earwitness.") from error
    return True


@contextmanager
def pipewire_latency(rate_hz: int) -> Iterator[None]:
    """Request short queues from PipeWire while a stream is opened, unless the user set a value."""
    if sys.platform != "linux" or PIPEWIRE_LATENCY in os.environ:
        yield
        return
    os.environ[PIPEWIRE_LATENCY] = f"{PIPEWIRE_FRAMES}/{rate_hz}"
    try:
        yield
    finally:
        os.environ.pop(PIPEWIRE_LATENCY, None)


def _match(devices: list[InputDevice], name: str, host_api: str) -> InputDevice | None:
    within = (device for device in devices if not host_api or device.host_api == host_api)
    return next((device for device in within if (device.name == name if name else device.is_default)), None)
