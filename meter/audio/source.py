"""What a source of sound is: open it to learn its rate and channels, then start it with a ring to fill."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Protocol

from meter.audio.ring_buffer import Producer

MOST_CHANNELS = 32
"""As many as a PulseAudio stream carries; the meters of one feed are laid out for no more."""
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 1000, 768_000


class SourceError(Exception):
    """A source that cannot be opened or went away; the text is one sentence that names it and the mend."""


@dataclass(frozen=True)
class SourceInfo:
    """What an opened source delivers.

    ``kind`` is ``"device"``, ``"monitor"``, ``"file"``, ``"demo"`` or ``"script"``. ``live`` sources keep
    their own clock; the others end. ``latency_seconds`` is what was achieved, NaN where it means nothing.
    ``roles`` are those of the channels (see ``channel_roles``), empty where the source does not tell them.
    ``resampled`` says that a converter stands between the source and us; ``idle_is_normal`` that no callback
    means nothing is playing, not that the source is lost. ``note`` is one sentence, or empty, about what shifts or
    shortens the readings although the source works: a volume in between, a file that breaks off. ``output`` is the
    system's own name of what is heard, where ``name`` is a description that others may share.
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

    @property
    def identity(self) -> str:
        """What tells it from every other source of its kind: a calibration belongs to this."""
        return self.output or self.name


@dataclass(frozen=True)
class SourceRequest:
    """Which source to open: plain values only, so that it crosses the pipe and is kept in the settings.

    ``kind`` as in ``SourceInfo``; ``name`` is the device's, monitor source's or file's stable name, never an
    index; for a device or monitor an empty name is the system's default. ``options`` holds what only one kind
    knows; the class of that kind lists them (``host_api``, ``latency_seconds``, ``channels``, ``loop``, ``fast``…).
    """

    kind: str
    name: str = ""
    options: dict[str, Any] = field(default_factory=dict)


class Source(Protocol):
    """One source of sound. All methods are called from the engine's thread; none from a PortAudio callback.

    After a fault the engine calls ``stop``, and may then ``open`` and ``start`` the same object again, with a new
    ring: the rate and the channels may be others than before.
    """

    def open(self) -> SourceInfo:
        """Find out what this source delivers. Raises SourceError."""
        ...

    def start(self, producer: Producer) -> None:
        """Begin to fill the ring. Raises SourceError."""
        ...

    def stop(self) -> None:
        """Stop and release everything; may be called twice."""
        ...

    def ended(self) -> bool:
        """True once the source will deliver no more (end of file, stream finished or failed)."""
        ...

    def fault(self) -> str:
        """One sentence if the source went wrong, else an empty string."""
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
