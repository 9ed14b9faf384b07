"""Any source of the Linux sound server as a source, by name: monitors of outputs, and inputs.

The sound is captured with the server's recorder ``parec``, at the source's sample rate and in its channel map.
PortAudio's ALSA device ``pulse`` was tried and is not used: it requests another channel map, so a 5.1 source is
re-ordered, the numbered channels of an interface are silent, and others are mixed.
"""

from __future__ import annotations

import subprocess
import threading
import time
from typing import IO

import numpy as np

from dsp.core.channel_roles import POSITIONS
from meter.audio import options, pulse
from meter.audio.pulse import PulseServer, PulseSource
from meter.audio.ring_buffer import Producer
from meter.audio.source import MOST_CHANNELS, SourceError, SourceInfo, SourceRequest, check_rate
from meter.audio.watcher import SourceWatcher, end_child

DEFAULT_MONITOR = "@DEFAULT_MONITOR@"
USUAL_CHANNELS = 2
FRAGMENTS_PER_LATENCY = 3
"""The server delivers a third of the latency at a time: at the usual one a piece for each turn of the engine, so that
needles move evenly."""
SAMPLE_BYTES = 4
STOP_SECONDS = 2.0
LONGEST_READ_FRAMES = 16_384
FULL_RING_SECONDS = 2.0
"""A full ring buffer is retried for this long, while recorder and server queue; after that, frames are dropped."""
FULL_RING_POLL_SECONDS = 0.002


class MonitorSource:
    """A source of the sound server. ``request.name`` is its name there; empty or ``@DEFAULT_MONITOR@`` follows the
    default output: when that changes, the source ends with a sentence and the next ``open`` finds the new one.

    Options: ``latency_seconds`` (0.02 to 0.5), ``channels`` (numbers from 1, default all of a layout of loudspeakers,
    otherwise the first two: numbered channels of an interface are not one mix).
    """

    def __init__(self, request: SourceRequest) -> None:
        self._request = request
        self._follows_default = request.name in ("", DEFAULT_MONITOR)
        self._source: PulseSource | None = None
        self._recorder: subprocess.Popen[bytes] | None = None
        self._thread: threading.Thread | None = None
        self._watcher: SourceWatcher | None = None
        self._clear()

    def _clear(self) -> None:
        self._stopping = False
        self._over = False
        self._error: Exception | None = None
        self._reason = ""
        self._note = ""
        self._columns: list[int] = []
        self._callbacks = 0
        self._largest_gap_ns = 0
        self._mark = (0, 0)

    def open(self) -> SourceInfo:
        """Find the source and its format. Raises SourceError."""
        self.stop()
        self._clear()
        pulse.require_tool("parec")
        server = pulse.query_server()
        source = self._find(server)
        check_rate(source.description, source.rate_hz)
        if source.channels > MOST_CHANNELS:
            raise SourceError(
                f"'{source.description}' has more than {MOST_CHANNELS} channels; set fewer in its profile."
            )
        layout = set(source.channel_names) & set(POSITIONS)
        numbers = options.channel_numbers(self._request, source.channels, MOST_CHANNELS if layout else USUAL_CHANNELS)
        self._columns = [number - 1 for number in numbers]
        self._source = source
        self._note = server.volume_note(source)
        names = source.channel_names if len(source.channel_names) == source.channels else ()
        return SourceInfo(
            name=label_of(source, server),
            kind="monitor",
            output=source.identity,
            rate_hz=source.rate_hz,
            channels=len(numbers),
            device_channels=source.channels,
            latency_seconds=options.latency_seconds(self._request),
            channel_names=tuple(names[column] for column in self._columns) if names else (),
            # Some of many channels are a mix of their own, wherever the server would place them; so are "aux" ones.
            roles=names if len(numbers) == source.channels and set(names) & set(POSITIONS) else (),
            note=self._note,
        )

    def start(self, producer: Producer) -> None:
        """Begin to fill the ring; ``open`` comes first. Raises SourceError."""
        if self._source is None:
            self.open()
        assert self._source is not None
        self._recorder = self._launch(self._source)
        self._watcher = SourceWatcher(self._source, self._recorder.pid, self._follows_default)
        self._watcher.start()
        self._thread = threading.Thread(target=self._read, args=(producer,), name="monitor reader", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the recorder, the watcher and the thread; may be called twice."""
        self._stopping = True
        if self._watcher is not None:
            self._watcher.stop()
            self._watcher = None
        recorder, self._recorder = self._recorder, None
        if recorder is not None:
            end_child(recorder)
        if self._thread is not None:
            self._thread.join(STOP_SECONDS)
            self._thread = None
        if recorder is not None:
            for pipe in (recorder.stdout, recorder.stderr):
                if pipe is not None:
                    pipe.close()
        self._source = None

    def ended(self) -> bool:
        """True after the recorder ended, or the source changed."""
        return self._over or self._error is not None or bool(self._watcher and self._watcher.change)

    def fault(self) -> str:
        """One sentence if the source was removed or changed, or the server stopped; otherwise empty."""
        if self._stopping or self._source is None:
            return ""
        if self._watcher is not None and self._watcher.change:
            return self._watcher.change
        name = self._source.description
        if self._error is not None:
            return f"Reading '{name}' failed inside Earwitness ({self._error!r}); select it again."
        if not self._over:
            return ""
        reason = f" ({self._reason})" if self._reason else ""
        return (
            f"The sound server ended the capture of '{name}'{reason}; choose the source again or restart the server."
        )

    @property
    def note(self) -> str:
        """One sentence if a volume of the server shifts the readings, as it is now."""
        return self._watcher.note if self._watcher is not None and self._watcher.checked else self._note

    def statistics(self) -> dict[str, float]:
        """Counters; ``frames`` and ``last_callback_ns`` belong to the same delivery, as the loss detector needs."""
        frames, last_ns = self._mark
        return {
            "callbacks": self._callbacks,
            "frames": frames,
            "last_callback_ns": last_ns,
            "largest_gap_ns": self._largest_gap_ns,
            "overflows": 0,
        }

    def _find(self, server: PulseServer) -> PulseSource:
        if self._follows_default:
            source = server.default_monitor()
            if source is None:
                raise SourceError(
                    "The sound server has no default output; choose one in the system's sound settings."
                )
            return source
        source = server.source(self._request.name)
        if source is None:
            raise SourceError(f"The source '{self._request.title}' is not there; reconnect it or choose another.")
        return source

    def _launch(self, source: PulseSource) -> subprocess.Popen[bytes]:
        fragment_ms = max(1, round(options.latency_seconds(self._request) * 1000 / FRAGMENTS_PER_LATENCY))
        command = [
            pulse.require_tool("parec"),
            "--raw",
            "--format=float32le",
            f"--device={source.name}",
            f"--rate={source.rate_hz}",
            f"--channels={source.channels}",
            f"--latency-msec={fragment_ms}",
            "--client-name=Earwitness",
            "--stream-name=Earwitness listens",
        ]
        if len(source.positions) == source.channels:
            command.append(f"--channel-map={','.join(source.positions)}")
        try:
            return subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                env=pulse.tool_environment(),
                bufsize=0,
            )
        except OSError as error:
            raise SourceError(f"The recorder parec did not start ({error.strerror}): {pulse.TOOLS_FIX}.") from error

    def _read(self, producer: Producer) -> None:
        """Copy the recorder's output into the ring buffer until it ends. Runs in its own thread."""
        recorder, source = self._recorder, self._source
        try:
            if recorder is not None and recorder.stdout is not None and source is not None:
                self._copy_all(recorder.stdout, source.channels, producer)
                self._reason = _last_words(recorder)
        except Exception as error:  # reported by fault(): an exception of a thread is lost
            self._error = error
        finally:
            self._over = True

    def _copy_all(self, pipe: IO[bytes], channels: int, producer: Producer) -> None:
        frame_bytes = channels * SAMPLE_BYTES
        room = bytearray(max(1, min(LONGEST_READ_FRAMES, producer.capacity // 2)) * frame_bytes)
        view = memoryview(room)
        held = 0
        every = self._columns == list(range(channels))
        while count := _read_into(pipe, view[held:]):
            now = time.monotonic_ns()
            held += count
            frames = held // frame_bytes
            block = np.frombuffer(room, "<f4", frames * channels).reshape(frames, channels)
            self._await_space(producer, frames)
            producer.write(block if every else block[:, self._columns])
            rest = held - frames * frame_bytes
            view[:rest] = view[held - rest : held]
            held = rest
            self._stamp(frames, now)

    def _await_space(self, producer: Producer, frames: int) -> None:
        polls = round(FULL_RING_SECONDS / FULL_RING_POLL_SECONDS)
        while producer.space < frames and polls and not self._stopping:
            time.sleep(FULL_RING_POLL_SECONDS)
            polls -= 1

    def _stamp(self, frames: int, now: int) -> None:
        total, last_ns = self._mark
        if last_ns:
            self._largest_gap_ns = max(self._largest_gap_ns, now - last_ns)
        self._callbacks += 1
        self._mark = (total + frames, now)


def describe(source: PulseSource, server: PulseServer) -> str:
    """Name of a source in the list: that of its output for a monitor, not the server's own name."""
    if not source.monitor_of:
        return source.description
    sink = server.sink(source.monitor_of)
    return sink.description if sink else source.monitor_of


def label_of(source: PulseSource, server: PulseServer) -> str:
    """The same, with the server's own name where two outputs, or two inputs, have equal descriptions."""
    label = describe(source, server)
    kind = [other for other in server.sources if bool(other.monitor_of) == bool(source.monitor_of)]
    alike = sum(describe(other, server) == label for other in kind)
    return f"{label} ({source.name})" if alike > 1 else label


def _last_words(recorder: subprocess.Popen[bytes]) -> str:
    """The last line a recorder that has closed its sound left on its error output."""
    try:
        recorder.wait(STOP_SECONDS)
    except subprocess.TimeoutExpired:
        return ""
    lines = recorder.stderr.read().decode("utf-8", "replace").strip().splitlines() if recorder.stderr else []
    return lines[-1] if lines else ""


def _read_into(pipe: IO[bytes], place: memoryview) -> int:
    count = pipe.readinto(place)  # type: ignore[attr-defined]  # an unbuffered pipe is a FileIO
    return int(count or 0)
