"""The protocol of a source: ``open`` returns its rate and channels, ``start`` fills a ring buffer."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Protocol

from meter.audio.ring_buffer import Producer

MOST_CHANNELS = 32
"""Limit of a PulseAudio stream, and of the layout of one feed's readings."""
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 1000, 768_000


class SourceError(Exception):
    """A source that cannot be opened or was lost; the text is one sentence with its name and the fix."""


@dataclass(frozen=True)
class SourceInfo:
    """Format and properties of an opened source.

    ``kind`` is ``"device"``, ``"monitor"``, ``"file"``, ``"demo"`` or ``"script"``. ``live`` sources have their own
    clock; the others end. ``latency_seconds`` is the achieved value, NaN for sources without. ``roles`` are those of
    the channels (see ``channel_roles``), empty where the source has none. ``resampled``: the system converts the
    rate. ``idle_is_normal``: no callback means that nothing plays, not that the source is lost. ``note`` is one
    sentence, or empty, about a volume or a truncated file that shifts or shortens the readings. ``output`` is the
    system's own name of the output, where ``name`` is a description that others may share. ``device_channels`` is how
    many channels the source has, of which ``channels`` were asked for; 0 where it delivers all it has.
    """

    name: str
    kind: str
    rate_hz: int
    channels: int
    live: bool = True
    latency_seconds: float = float("nan")
    channel_names: tuple[str, ...] = ()
    roles: tuple[str, ...] = ()
    resampled: bool = False
    idle_is_normal: bool = False
    note: str = ""
    output: str = ""
    device_channels: int = 0

    @property
    def identity(self) -> str:
        """Unique name among the sources of its kind: the key of a calibration."""
        return self.output or self.name


@dataclass(frozen=True)
class SourceRequest:
    """Which source to open: plain values only, for the pipe and the settings file.

    ``kind`` as in ``SourceInfo``; ``name`` is the device's, monitor source's or file's stable name, never an
    index; for a device or monitor an empty name is the system's default. The class of each kind lists its ``options``
    (``host_api``, ``latency_seconds``, ``channels``, ``loop``, ``fast``…). ``label`` is the source's name on the
    screen; two requests that differ in it alone are the same.
    """

    kind: str
    name: str = ""
    options: dict[str, Any] = field(default_factory=dict)
    label: str = field(default="", compare=False)

    @property
    def title(self) -> str:
        """What a sentence calls the source."""
        return self.label or self.name or "the default input"


class Source(Protocol):
    """One source of sound. All methods are called from the engine's thread; none from a PortAudio callback.

    After a fault the engine calls ``stop``, and may then ``open`` and ``start`` the same object again with a new ring
    buffer; rate and channels may have changed.
    """

    def open(self) -> SourceInfo:
        """Return what this source delivers. Raises SourceError."""
        ...

    def start(self, producer: Producer) -> None:
        """Start to fill the ring buffer. Raises SourceError."""
        ...

    def stop(self) -> None:
        """Stop and release everything; may be called twice."""
        ...

    def ended(self) -> bool:
        """True after the end: end of file, stream finished or failed."""
        ...

    def fault(self) -> str:
        """One sentence if the source failed, otherwise empty."""
        ...

    def statistics(self) -> dict[str, float]:
        """Counters for the feed line and the doctor, such as ``callbacks`` and ``last_callback_ns``."""
        ...


def check_rate(name: str, rate_hz: float) -> None:
    """Raise SourceError unless a meter can be built for this rate."""
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise SourceError(
            f"'{name}' runs at {rate_hz:g} Hz; {LOWEST_RATE_HZ:,} to {HIGHEST_RATE_HZ:,} Hz are supported, "
            "so convert it or set another rate."
        )
