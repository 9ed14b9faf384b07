"""Outputs for calibration noise, and the stream that plays it.

On Linux the outputs of the sound server come first, each by its name; they are reached through PortAudio's ALSA
device ``pulse``, which takes the name from the environment. The server moves such a stream to another output without
an error when its own goes away, so ``moved`` checks it.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meter.audio import portaudio, pulse
from meter.audio.ramp import RampedLoop
from meter.audio.source import SourceError
from meter.sound_lists import Output

SINK, DEVICE = "sink", "device"
SERVER_DEVICE = "pulse"
SERVER_DEVICE_FIX = (
    "run `apt install libasound2-plugins` (Debian, Ubuntu), `dnf install alsa-plugins-pulseaudio` (Fedora) "
    "or `pacman -S alsa-plugins` (Arch)"
)
SINK_VARIABLE = "PULSE_SINK"
LATENCY_SECONDS = 0.1
CHANNELS = 2
STALL_SECONDS = 2.0
LESSER_HOST_APIS = ("MME", "Windows DirectSound", "OSS")


def list_outputs() -> tuple[list[Output], list[str]]:
    """All outputs, and one sentence for each audio system that could not be queried."""
    outputs: list[Output] = []
    missing: list[str] = []
    if sys.platform == "linux":
        try:
            sinks = pulse.query_server().sinks
            outputs += [Output(SINK, sink.name, _label(sink, sinks)) for sink in sinks]
        except SourceError as error:
            missing.append(str(error))
    try:
        outputs += _devices(through_server_too=not outputs)
    except SourceError as error:
        missing.append(str(error))
    return outputs, missing


def _label(sink: pulse.PulseSink, sinks: Sequence[pulse.PulseSink]) -> str:
    """The description, with the server's own name where two outputs have the same one."""
    alike = sum(other.description == sink.description for other in sinks)
    return f"{sink.description} ({sink.name})" if alike > 1 else sink.description


def _devices(through_server_too: bool) -> list[Output]:
    return [
        Output(DEVICE, device.name, device.name, device.host_api, device.rate_hz)
        for device in portaudio.output_devices()
        if device.channels >= CHANNELS
        and device.host_api not in LESSER_HOST_APIS
        and (through_server_too or not (device.host_api == "ALSA" and device.converts))
    ]


class LoopPlayer:
    """Plays one ``RampedLoop`` through one output. ``open`` opens the stream and plays nothing yet."""

    def __init__(self, output: Output, loop: RampedLoop) -> None:
        self._output = output
        self._loop = loop
        self._stream: Any = None
        self._error: Exception | None = None
        self._finished = False
        self._last_call = 0.0

    def open(self, rate_hz: int) -> None:
        """Open the stream. Raises SourceError."""
        sounddevice = portaudio.load()
        try:
            self._stream = sounddevice.OutputStream(
                samplerate=rate_hz,
                blocksize=0,
                device=self._find(),
                channels=CHANNELS,
                dtype="float32",
                latency=LATENCY_SECONDS,
                dither_off=True,
                callback=self._callback,
                finished_callback=self._on_finished,
            )
        except sounddevice.PortAudioError as error:
            raise SourceError(self._refused(error)) from error

    def start(self) -> None:
        """Start to play. Raises SourceError."""
        self._last_call = time.monotonic()
        try:
            self._stream.start()
        except portaudio.load().PortAudioError as error:
            raise SourceError(self._refused(error)) from error

    def close(self) -> None:
        """Abort and close the stream; may be called twice. Queued frames are dropped."""
        stream, self._stream = self._stream, None
        if stream is not None:
            stream.abort(ignore_errors=True)
            stream.close(ignore_errors=True)

    def fault(self) -> str:
        """One sentence after the stream stopped by itself, otherwise empty."""
        name = self._output.label or self._output.name
        if self._error is not None:
            return f"Playing to '{name}' failed inside Earwitness ({self._error!r}); play the noise from your DAW."
        if self._finished or time.monotonic() - self._last_call > STALL_SECONDS:
            return f"'{name}' stopped taking sound, so the noise is off; reconnect it or choose another output."
        return ""

    def moved(self) -> str:
        """One sentence if the sound server plays this process through another output, otherwise empty; queries it."""
        if self._output.kind != SINK:
            return ""
        try:
            now = pulse.sink_of_process(os.getpid())
        except SourceError as error:
            return f"The noise was stopped, since the sound server does not answer. {error}"
        if now in ("", self._output.name):
            return ""
        return f"The sound server moved the noise to '{now}', so it was stopped; choose an output that is there."

    def _find(self) -> int:
        if self._output.kind == SINK:
            # Read when PortAudio opens the stream, in this process and no other.
            os.environ[SINK_VARIABLE] = self._output.name
            for device in portaudio.output_devices():
                if device.name == SERVER_DEVICE:
                    return device.index
            raise SourceError(f"PortAudio has no way to the sound server: {SERVER_DEVICE_FIX}.")
        for device in portaudio.output_devices():
            if (device.name, device.host_api) == (self._output.name, self._output.host_api):
                return device.index
        raise SourceError(f"The output '{self._output.name}' is not there; reconnect it or choose another.")

    def _callback(self, out: NDArray[np.float32], _frames: int, _time: Any, _status: Any) -> None:
        """Write the next frames; silence after any failure. [audio]"""
        self._last_call = time.monotonic()
        try:
            self._loop.fill(out)
        except Exception as error:
            out[:] = 0.0
            self._error = error

    def _on_finished(self) -> None:
        self._finished = True

    def _refused(self, error: Exception) -> str:
        reason = str(error.args[0]) if error.args else str(error)
        name = self._output.label or self._output.name
        return (
            f"'{name}' cannot be opened ({reason}); close the program that holds it, or play the file from your DAW."
        )
