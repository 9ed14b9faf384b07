"""What a source of sound is: open it to learn its rate and channels, then start it with a ring to fill."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Protocol

from meter.audio.ring import Producer


class SourceError(Exception):
    """A source that cannot be opened or went away; the text is one sentence that names it and the mend."""


@dataclass(frozen=True)
class SourceInfo:
    """What an opened source delivers.

    ``kind`` is ``"device"``, ``"monitor"``, ``"file"``, ``"demo"`` or ``"script"``. ``live`` sources keep
    their own clock; the others end. ``latency_seconds`` is what was achieved, NaN where it means nothing.
    ``resampled`` says that a converter stands between the source and us.
    """

    name: str
    kind: str
    rate_hz: int
    channels: int
    live: bool = True
    latency_seconds: float = float("nan")
    channel_names: tuple[str, ...] = ()
    resampled: bool = False


@dataclass(frozen=True)
class SourceRequest:
    """Which source to open: plain values only, so that it crosses the pipe and is kept in the settings.

    ``kind`` as in ``SourceInfo``; ``name`` is the device's, monitor source's or file's stable name, never an
    index. ``options`` holds what only one kind knows (``host_api``, ``latency_seconds``, ``loop``, ``fast``…).
    """

    kind: str
    name: str = ""
    options: dict[str, Any] = field(default_factory=dict)


class Source(Protocol):
    """One source of sound. All methods are called from the engine's thread; none from a PortAudio callback."""

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
