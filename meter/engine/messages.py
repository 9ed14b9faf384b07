"""Messages between the engine process and the window process, one struct each; msgpack on the pipe.

``to_window`` and ``to_engine`` turn bytes into a message. Readings do not travel here: they are in the shared block.
"""

from __future__ import annotations

import math
from typing import TypeAlias

import msgspec

from meter.audio.source import SourceRequest
from meter.instances import Instance
from meter.marks import MARK
from meter.plugin.api import Setting
from meter.readings import Layout, Slot


class Message(msgspec.Struct, frozen=True, tag=True):
    """Base of all messages."""


# From the engine


class MetersLoaded(Message, frozen=True):
    """The instances of meters of this engine in their order; True for those of this program.

    ``further`` has the meter of each further instance.
    """

    ours: dict[str, bool]
    further: dict[str, str] = {}


class LayoutChanged(Message, frozen=True):
    """Where each reading lies in the snapshots of ``generation``."""

    generation: int
    slots: tuple[Slot, ...]
    feeds: dict[str, tuple[int, ...]]
    channel_names: tuple[str, ...]
    instances: tuple[Instance, ...] = ()

    @classmethod
    def of(cls, generation: int, layout: Layout) -> LayoutChanged:
        """The message for one layout."""
        return cls(generation, layout.slots, layout.feeds, tuple(layout.channel_names), layout.instances)

    @property
    def layout(self) -> Layout:
        """The layout it was made from."""
        return Layout(self.slots, self.feeds, self.channel_names, self.instances)


class SourceOpened(Message, frozen=True):
    """The name of the source, the system's own name of it, and how many channels it has, 0 for those delivered.

    ``output`` is empty for a source that could not be opened.
    """

    source: str
    output: str = ""
    device_channels: int = 0


class CountingSuspended(Message, frozen=True):
    """Why nothing is counted at present; empty when counting goes on."""

    sentence: str


class OutputChanged(Message, frozen=True):
    """That the figures since R hold two outputs; empty when they do not."""

    sentence: str


class FeedSentence(Message, frozen=True):
    """The sentence of the feed line."""

    sentence: str


class RecorderSentence(Message, frozen=True):
    """What is wrong with the exposure record; empty when nothing is."""

    sentence: str


class StateRestored(Message, frozen=True):
    """What was restored from the engine before this one."""

    sentence: str


class FaultsChanged(Message, frozen=True):
    """Meters in quarantine, with one sentence each."""

    faults: dict[str, str]


class GuestThreads(Message, frozen=True):
    """Meters by others that have threads of their own running."""

    meters: tuple[str, ...]


class FindingsMade(Message, frozen=True):
    """Findings of one study (``key`` is ``meter.study``), encoded as msgpack."""

    key: str
    encoded: bytes


class FindingsDropped(Message, frozen=True):
    """Findings so far are of another source, or from before a reset; all but these keys."""

    but: tuple[str, ...] = ()


class SpanEnded(Message, frozen=True):
    """The span since the last mark ended at ``now`` on the audio clock, ``at`` this time of day.

    ``figures`` are its readings by full key. ``begins`` is True for a mark, False where the audio clock restarts (a
    reset, another source). ``kind`` is that of the mark. ``stops`` is True where play stopped at ``now``: the span
    ends, and the figures go on until the next mark.
    """

    now: float
    at: float
    figures: dict[str, float]
    begins: bool
    kind: str = MARK
    stops: bool = False


class MarkTaken(Message, frozen=True):
    """The engine has all marks of the window up to this number."""

    number: int


class EventsRecorded(Message, frozen=True):
    """The recorder has all events of the window up to this number."""

    number: int


ToWindow: TypeAlias = (
    MetersLoaded
    | LayoutChanged
    | SourceOpened
    | CountingSuspended
    | OutputChanged
    | FeedSentence
    | RecorderSentence
    | StateRestored
    | FaultsChanged
    | GuestThreads
    | FindingsMade
    | FindingsDropped
    | SpanEnded
    | MarkTaken
    | EventsRecorded
)


# From the window


class OpenSource(Message, frozen=True):
    """Listen to another source; ``feeds`` names the columns of each feed, ``job`` is the name of their map."""

    request: SourceRequest
    feeds: dict[str, tuple[int, ...]] | None = None
    job: str = ""


class HoldReadings(Message, frozen=True):
    """Freeze the readings, or release them."""

    held: bool


class ResetReadings(Message, frozen=True):
    """Restart the figures since R."""


class SetMark(Message, frozen=True):
    """Restart the figures since the mark.

    ``at`` is when it was set, in seconds since 1970; NaN is now. ``number`` is for ``MarkTaken``.
    """

    at: float = math.nan
    number: int = 0


class ChooseAtPlay(Message, frozen=True):
    """What happens when play starts, a word of ``meter.marks.AT_PLAY``."""

    choice: str


class SuspendCounting(Message, frozen=True):
    """Count nothing for this reason; an empty one ends it."""

    reason: str


class ConfigureMeter(Message, frozen=True):
    """Change these settings of one meter."""

    meter: str
    settings: dict[str, Setting]


class UseInstances(Message, frozen=True):
    """Measure these further instances of meters, and no others."""

    instances: tuple[Instance, ...]


class RecordEvent(Message, frozen=True):
    """Put an event into the day record.

    ``kind`` is one of ``meter.logbook.day_record.KINDS``, ``words`` one sentence, ``at`` the time of day in seconds
    since 1970, ``seconds`` how long it lasted, NaN for a moment. ``number`` is for ``EventsRecorded``.
    """

    kind: str
    words: str
    at: float
    feed: str = ""
    seconds: float = math.nan
    figures: dict[str, float] = {}
    number: int = 0


class TryAgain(Message, frozen=True):
    """Load a meter that was set aside again, and let it measure from now on."""

    meter: str


class QuitEngine(Message, frozen=True):
    """End the engine process."""


ToEngine: TypeAlias = (
    OpenSource
    | HoldReadings
    | ResetReadings
    | SetMark
    | ChooseAtPlay
    | SuspendCounting
    | ConfigureMeter
    | UseInstances
    | RecordEvent
    | TryAgain
    | QuitEngine
)

encode = msgspec.msgpack.Encoder().encode
to_window = msgspec.msgpack.Decoder(ToWindow).decode
to_engine = msgspec.msgpack.Decoder(ToEngine).decode
