"""A source that plays a list of events, for tests: tones, losses, stalls, unplugging, changes of rate.

Time is virtual: ``advance(seconds)`` plays that much of the script at once and nothing sleeps. Through a request
(kind ``"script"``, options ``events``, ``channels``, ``rate_hz``, ``paced``) it can also run at the pace of sound in
a thread, for tests that start the whole engine. After ``Gone`` or ``Rate`` it ends with a fault; the next ``open``
continues with the rest of the script.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from meter.audio.ring_buffer import Producer
from meter.audio.source import SourceError, SourceInfo, SourceRequest, check_rate

BLOCK_SECONDS = 0.01
STOP_SECONDS = 2.0
NANOSECONDS = 1_000_000_000
TIME_SLACK_SECONDS = 1e-9
"""Sums of block lengths carry rounding; a block due now is due."""


@dataclass(frozen=True)
class Tone:
    """A sine on every channel: ``level_dbfs`` is its peak, so 0 touches full scale. Phase runs on with the frames."""

    seconds: float
    frequency_hz: float = 1000.0
    level_dbfs: float = -18.0


@dataclass(frozen=True)
class Value:
    """Every sample is ``value``: 0 for silence, NaN, an infinity or 1e38 for a broken driver."""

    seconds: float
    value: float = 0.0


@dataclass(frozen=True)
class Samples:
    """The samples ``(frames, channels)``, in blocks of ``block_frames`` (default 10 ms)."""

    samples: NDArray[np.float32]
    block_frames: int = 0


@dataclass(frozen=True)
class Lost:
    """``frames`` missing at this point, with the overflow flag of a device, or silently with ``flagged`` False."""

    frames: int
    flagged: bool = True


@dataclass(frozen=True)
class Stall:
    """The next ``seconds`` of the script are delivered late in one burst, or never."""

    seconds: float
    kept: bool = True


@dataclass(frozen=True)
class Gone:
    """The device is unplugged; the next ``refusals`` attempts to open it fail with the same sentence."""

    sentence: str = "'Scripted input' stopped delivering sound; reconnect it or choose another source."
    refusals: int = 0


@dataclass(frozen=True)
class Rate:
    """The device changes its rate; the source ends and opens again at ``rate_hz``."""

    rate_hz: int


Action: TypeAlias = Callable[[], None]
Event: TypeAlias = Tone | Value | Samples | Lost | Stall | Gone | Rate
EVENTS: dict[str, type[Any]] = {
    "tone": Tone,
    "value": Value,
    "samples": Samples,
    "lost": Lost,
    "stall": Stall,
    "gone": Gone,
    "rate": Rate,
}


class ScriptedSource:
    """Plays ``events`` into the ring buffer in virtual time. ``live`` is the value in its ``SourceInfo``."""

    def __init__(
        self,
        events: Iterable[Event],
        *,
        rate_hz: int = 48_000,
        channels: int = 2,
        live: bool = True,
        paced: bool = False,
    ) -> None:
        check_rate("Scripted input", rate_hz)
        self._events = deque(events)
        self._rate_hz = rate_hz
        self._channels = channels
        self._live = live
        self._paced = paced
        self._refusals: deque[str] = deque()
        self._producer: Producer | None = None
        self._thread: threading.Thread | None = None
        self._halt = threading.Event()
        self._steps = self._play()
        self._next: tuple[float, Action] | None = None
        self._target = self._time = 0.0
        self._sounded = 0
        self._stall = Stall(0.0)
        self._stalled_until = 0.0
        self._held: list[NDArray[np.float32]] = []
        self._finished = False
        self._fault = ""
        self._counters = {"callbacks": 0, "frames": 0, "last_callback_ns": 0, "overflows": 0}

    @classmethod
    def from_request(cls, request: SourceRequest) -> ScriptedSource:
        """From plain values, such as ``{"events": [{"do": "tone", "seconds": 2}], "paced": True}``."""
        known = {"rate_hz", "channels", "live", "paced"}
        try:
            events = [event_from(plain) for plain in request.options.get("events", ())]
            return cls(events, **{key: value for key, value in request.options.items() if key in known})
        except (TypeError, ValueError) as error:
            raise SourceError(
                f"The script '{request.name}' cannot be played ({error}); correct its events."
            ) from error

    def now_ns(self) -> int:
        """The virtual clock in place of a monotonic one; starts at one second."""
        return time.monotonic_ns() if self._paced else NANOSECONDS + round(self._time * NANOSECONDS)

    def open(self) -> SourceInfo:
        """Open; raises SourceError as often as ``Gone.refusals``."""
        self.stop()
        if self._refusals:
            raise SourceError(self._refusals.popleft())
        self._fault = ""
        return SourceInfo("Scripted input", "script", self._rate_hz, self._channels, live=self._live)

    def start(self, producer: Producer) -> None:
        """Start: ``advance`` delivers from now on; a paced script runs by itself."""
        self._producer = producer
        if self._paced:
            self._halt.clear()
            self._thread = threading.Thread(target=self._run, name="script", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """Stop delivering; may be called twice."""
        self._halt.set()
        if self._thread is not None:
            self._thread.join(STOP_SECONDS)
            self._thread = None
        self._producer = None

    def ended(self) -> bool:
        """True after the last event, and after ``Gone`` or ``Rate`` until opened again."""
        return self._finished or bool(self._fault)

    def fault(self) -> str:
        """The sentence of ``Gone`` or ``Rate``, otherwise empty."""
        return self._fault

    def statistics(self) -> dict[str, float]:
        """Counters as of a device, on the virtual clock."""
        return dict(self._counters)

    def advance(self, seconds: float) -> None:
        """Play the next ``seconds`` of the script. Time that passes while stopped or faulty plays nothing."""
        if self._producer is None or self.ended():
            self._time += seconds
            return
        end = self._time + seconds
        self._target += seconds
        while not self.ended():
            if self._next is None:
                self._next = next(self._steps, None)
            if self._next is None:
                self._flush()
                self._finished = True
            elif self._next[0] > self._target + TIME_SLACK_SECONDS:
                break
            else:
                due, act = self._next
                self._next = None
                self._time = end - (self._target - due)
                act()
        self._time = end

    def _run(self) -> None:
        began = time.monotonic()
        played = 0.0
        while not self.ended() and not self._halt.wait(BLOCK_SECONDS):
            passed = time.monotonic() - began
            self.advance(passed - played)
            played = passed

    def _play(self) -> Iterator[tuple[float, Action]]:
        """Yield every action with its script second: a block at the time of its last frame."""
        due = 0.0
        while self._events:
            event = self._events.popleft()
            if isinstance(event, (Tone, Value, Samples)):
                for block in self._blocks(event):
                    due += len(block) / self._rate_hz
                    yield due, partial(self._deliver, block, due)
            elif isinstance(event, Lost):
                due += event.frames / self._rate_hz
                yield due, partial(self._lose, event)
            else:
                yield due, partial(self._happen, event, due)

    def _blocks(self, event: Tone | Value | Samples) -> Iterator[NDArray[np.float32]]:
        usual = max(1, round(BLOCK_SECONDS * self._rate_hz))
        if isinstance(event, Samples):
            size = event.block_frames or usual
            yield from (event.samples[start : start + size] for start in range(0, len(event.samples), size))
            return
        left = round(event.seconds * self._rate_hz)
        while left > 0:
            frames = min(usual, left)
            left -= frames
            yield np.repeat(self._wave(event, frames)[:, np.newaxis], self._channels, axis=1)

    def _wave(self, event: Tone | Value, frames: int) -> NDArray[np.float32]:
        if isinstance(event, Value):
            return np.full(frames, event.value, dtype=np.float32)
        at = self._sounded + np.arange(frames)
        self._sounded += frames
        peak = 10.0 ** (event.level_dbfs / 20.0)
        return np.asarray(peak * np.sin(2.0 * np.pi * event.frequency_hz * at / self._rate_hz), dtype=np.float32)

    def _deliver(self, block: NDArray[np.float32], due: float) -> None:
        if due < self._stalled_until:
            if self._stall.kept:
                self._held.append(block)
            return
        self._flush()
        self._write(block)

    def _flush(self) -> None:
        held, self._held = self._held, []
        for block in held:
            self._write(block)

    def _write(self, block: NDArray[np.float32]) -> None:
        assert self._producer is not None
        self._producer.write(block)
        self._counters["callbacks"] += 1
        self._counters["frames"] += len(block)
        self._counters["last_callback_ns"] = self.now_ns()

    def _lose(self, event: Lost) -> None:
        if event.flagged and self._producer is not None:
            self._producer.lose(event.frames)
            self._counters["overflows"] += 1

    def _happen(self, event: Stall | Gone | Rate, due: float) -> None:
        if isinstance(event, Stall):
            self._stall, self._stalled_until = event, due + event.seconds
        elif isinstance(event, Gone):
            self._refusals.extend([event.sentence] * event.refusals)
            self._fault = event.sentence
        else:
            self._rate_hz = event.rate_hz
            self._fault = f"'Scripted input' now runs at {event.rate_hz:,} Hz; it is opened again."


def event_from(plain: Mapping[str, Any]) -> Event:
    """An event from plain values: ``do`` names it (``tone``, ``value``, ``samples``…), the rest are its fields.

    Raises ValueError for an unknown name or value, TypeError for an unknown field.
    """
    fields = dict(plain)
    kind = EVENTS.get(str(fields.pop("do", "")))
    if kind is None:
        raise ValueError(f"an event must be one of {', '.join(EVENTS)}")
    if kind is Samples:
        fields["samples"] = np.asarray(fields.get("samples"), dtype=np.float32)
        if fields["samples"].ndim != 2:
            raise ValueError("samples must be rows of one value per channel")
    event: Event = kind(**fields)
    return event
