"""A sound device as a source: one PortAudio input stream and its callback."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meter.audio import options, portaudio
from meter.audio.portaudio import InputDevice
from meter.audio.ring_buffer import Producer
from meter.audio.source import SourceError, SourceInfo, SourceRequest, check_rate

USUAL_CHANNELS = 2
SCRATCH_FRAMES = 65_536
"""More frames than any device delivers in one call; a longer block is refused and counted as lost."""


class DeviceSource:
    """An input of PortAudio. ``request.name`` is the device's name, empty for the default input.

    Options: ``host_api`` (name), ``latency_seconds`` (0.02 to 0.5), ``channels`` (numbers from 1, default the first
    two), ``rate_hz`` (default the device's own). The stream opens channels 1 to the highest wanted, because that is
    all PortAudio offers everywhere, and picks the columns in the copy.
    """

    def __init__(self, request: SourceRequest) -> None:
        self._request = request
        self._stream: Any = None
        self._clear()

    def _clear(self) -> None:
        self._producer: Producer | None = None
        self._error: Exception | None = None
        self._finished = False
        self._callbacks = 0
        self._overflows = 0
        self._largest_gap_ns = 0
        self._mark = (0, 0)
        self._columns: slice | NDArray[np.intp] = slice(None)
        self._scratch = np.zeros((0, 0), dtype=np.float32)

    def open(self) -> SourceInfo:
        """Open the stream without starting it. Raises SourceError."""
        self.stop()
        self._clear()
        device = self._find()
        numbers = options.channel_numbers(self._request, device.channels, USUAL_CHANNELS)
        wanted_rate_hz = options.rate_hz(self._request) or device.rate_hz
        check_rate(device.name, wanted_rate_hz)
        self._pick_columns(numbers)
        converted = self._open_stream(device, max(numbers), wanted_rate_hz)
        return SourceInfo(
            name=device.name,
            kind="device",
            rate_hz=round(self._stream.samplerate),
            channels=len(numbers),
            device_channels=device.channels,
            latency_seconds=float(self._stream.latency),
            channel_names=tuple(f"In {number}" for number in numbers),
            resampled=converted or device.converts,
            idle_is_normal=device.is_loopback,
        )

    def start(self, producer: Producer) -> None:
        """Start to fill the ring buffer; ``open`` comes first. Raises SourceError."""
        if self._stream is None:
            self.open()
        self._producer = producer
        try:
            self._stream.start()
        except portaudio.load().PortAudioError as error:
            self.stop()
            raise SourceError(_refused(self._request.title, error)) from error

    def stop(self) -> None:
        """Abort and close the stream; may be called twice. Never called from a callback."""
        stream, self._stream = self._stream, None
        if stream is not None:
            stream.abort(ignore_errors=True)
            stream.close(ignore_errors=True)
            portaudio.release()

    def ended(self) -> bool:
        """True after the stream finished by itself or the callback failed."""
        return self._finished or self._error is not None

    def fault(self) -> str:
        """One sentence after the stream ended by itself, otherwise empty."""
        name = self._request.title
        if self._error is not None:
            return f"Reading '{name}' failed inside Earwitness ({self._error!r}); select it again."
        if self._finished and self._stream is not None:
            return f"'{name}' stopped delivering sound; reconnect it or choose another source."
        return ""

    def statistics(self) -> dict[str, float]:
        """Counters; ``frames`` and ``last_callback_ns`` are of the same callback, as the loss detector needs."""
        frames, last_ns = self._mark
        return {
            "callbacks": self._callbacks,
            "frames": frames,
            "last_callback_ns": last_ns,
            "largest_gap_ns": self._largest_gap_ns,
            "overflows": self._overflows,
        }

    def _find(self) -> InputDevice:
        return portaudio.find_input(self._request.name, str(self._request.options.get("host_api", "")))

    def _pick_columns(self, numbers: Sequence[int]) -> None:
        """A slice for adjacent columns (no copy), otherwise their indices and an array for the copy."""
        if tuple(numbers) == tuple(range(numbers[0], numbers[0] + len(numbers))):
            self._columns = slice(numbers[0] - 1, numbers[0] - 1 + len(numbers))
        else:
            self._columns = np.array(numbers, dtype=np.intp) - 1
            self._scratch = np.zeros((SCRATCH_FRAMES, len(numbers)), dtype=np.float32)

    def _open_stream(self, device: InputDevice, channels: int, rate_hz: int) -> bool:
        """Open at the true format; if refused, with the system's converter. True if the converter is used."""
        sounddevice = portaudio.load()
        latency = options.latency_seconds(self._request)
        for convert in (False, True):
            settings = _host_settings(sounddevice, device.host_api, convert)
            if convert and settings is None:
                break
            try:
                with portaudio.pipewire_latency(rate_hz):
                    self._stream = sounddevice.InputStream(
                        samplerate=rate_hz,
                        blocksize=0,
                        device=device.index,
                        channels=channels,
                        dtype="float32",
                        latency=latency,
                        extra_settings=settings,
                        callback=self._callback,
                        finished_callback=self._on_finished,
                    )
                portaudio.hold()
                return convert
            except sounddevice.PortAudioError as error:
                refusal = error
        raise SourceError(_refused(device.name, refusal, rate_hz)) from refusal

    def _callback(self, block: NDArray[np.float32], frames: int, _time: Any, status: Any) -> None:
        """Copy, count, stamp. [audio] Nothing here waits, logs, stops or closes anything."""
        now = time.monotonic_ns()
        try:
            if status and status.input_overflow:
                self._overflows += 1
                if self._producer is not None:
                    self._producer.lose(1)  # at least one; the loss detector finds how many
            if self._producer is not None:
                self._copy(self._producer, block, frames)
            total, last_ns = self._mark
            if last_ns and now - last_ns > self._largest_gap_ns:
                self._largest_gap_ns = now - last_ns
            self._callbacks += 1
            self._mark = (total + frames, now)
        except Exception as error:
            self._error = error

    def _copy(self, producer: Producer, block: NDArray[np.float32], frames: int) -> None:
        columns = self._columns
        if isinstance(columns, slice):
            producer.write(block[:, columns])
        elif frames > SCRATCH_FRAMES:
            producer.lose(frames)
        else:
            picked = self._scratch[:frames]
            np.take(block, columns, axis=1, out=picked, mode="clip")  # "clip" writes into ``out`` without a copy
            producer.write(picked)

    def _on_finished(self) -> None:
        self._finished = True


def _host_settings(sounddevice: Any, host_api: str, convert: bool) -> Any:
    """Settings of the host API that refuse a hidden converter, or with ``convert`` allow it."""
    if host_api == "Core Audio" and hasattr(sounddevice, "CoreAudioSettings"):
        return sounddevice.CoreAudioSettings(change_device_parameters=False, fail_if_conversion_required=not convert)
    if host_api == "Windows WASAPI" and hasattr(sounddevice, "WasapiSettings"):
        return sounddevice.WasapiSettings(exclusive=False, auto_convert=convert)
    return None


def _refused(name: str, error: Exception, rate_hz: int | None = None) -> str:
    at_rate = f" at {rate_hz:,} Hz" if rate_hz else ""
    reason = str(error.args[0]) if error.args else str(error)
    fix = "close the program that holds it, or reconnect it and choose Rescan"
    return f"'{name}' cannot be opened{at_rate} ({reason}); {fix}."
