"""PortAudio, found late: ``sounddevice`` is imported only when asked for, and its absence is one sentence."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Any

import numpy as np  # noqa: F401  before any stream opens: imported first in a callback it crashed on macOS

from meter.audio.source import SourceError

LINE_BY_SYSTEM = {
    "linux": "run `apt install libportaudio2` (Debian, Ubuntu), `dnf install portaudio` (Fedora) "
    "or `pacman -S portaudio` (Arch)",
    "darwin": "run `pip install --force-reinstall sounddevice`, which brings it along",
    "win32": "run `pip install --force-reinstall sounddevice`, which brings it along",
}
CONVERTING_ALSA_DEVICES = ("default", "pulse", "pipewire", "sysdefault", "samplerate", "speexrate", "upmix")
"""ALSA devices that are plug-ins: they accept any rate and convert without telling."""
CONVERTING_HOST_APIS = ("MME", "Windows DirectSound")
"""These go through the system's mixer, which converts without telling."""


@dataclass(frozen=True)
class InputDevice:
    """One PortAudio device with inputs. ``index`` is good only in this process and until PortAudio restarts."""

    index: int
    name: str
    host_api: str
    channels: int
    rate_hz: int
    is_default: bool = False

    @property
    def converts(self) -> bool:
        """True if a converter that does not tell may stand between the hardware and us."""
        if self.host_api == "ALSA":
            return self.name in CONVERTING_ALSA_DEVICES
        return self.host_api in CONVERTING_HOST_APIS


def load() -> Any:
    """The ``sounddevice`` module. Raises SourceError with the line that installs what is missing."""
    try:
        import sounddevice
    except ImportError as error:
        raise SourceError("The package sounddevice is not installed: run `pip install sounddevice`.") from error
    except OSError as error:  # sounddevice's word for "no library"
        mend = LINE_BY_SYSTEM.get(sys.platform, "install the PortAudio library of your system")
        raise SourceError(f"PortAudio is not installed: {mend}, then start again.") from error
    except Exception as error:  # its initialisation failed: a PortAudioError, or no memory for its callbacks
        raise SourceError(
            f"PortAudio did not start ({error}); close other audio programs or restart the sound server, "
            "then try again."
        ) from error
    return sounddevice


def input_devices() -> list[InputDevice]:
    """Every device with at least one input, in PortAudio's order. Raises SourceError."""
    sounddevice = load()
    try:
        apis = sounddevice.query_hostapis()
        devices = sounddevice.query_devices()
        default = sounddevice.default.device[0]
    except sounddevice.PortAudioError as error:
        raise SourceError(f"PortAudio cannot list its devices ({error}); restart the sound server.") from error
    return [
        InputDevice(
            index=index,
            name=str(device["name"]),
            host_api=str(apis[device["hostapi"]]["name"]),
            channels=int(device["max_input_channels"]),
            rate_hz=round(device["default_samplerate"]),
            is_default=index in (default, apis[device["hostapi"]]["default_input_device"]),
        )
        for index, device in enumerate(devices)
        if device["max_input_channels"] > 0
    ]


def find_input(name: str, host_api: str = "") -> InputDevice:
    """The input called ``name`` exactly, of ``host_api`` if that is given; an empty name is the default input.

    Of several equal ones the first of PortAudio's list is taken. Raises SourceError naming what is there.
    """
    devices = input_devices()
    within = [device for device in devices if not host_api or device.host_api == host_api]
    matches = [device for device in within if (device.name == name if name else device.is_default)]
    if matches:
        return matches[0]
    if not devices:
        raise SourceError("PortAudio finds no sound input; connect the interface and choose Rescan.")
    if not name:
        raise SourceError("The system has no default input; choose one from the list of sources.")
    known = ", ".join(f"'{device.name}'" for device in devices[:6])
    raise SourceError(f"The input '{name}' is not there; reconnect it or choose another ({known}).")
