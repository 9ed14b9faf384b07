"""What the window needs from the engine and from the program around it; ``app`` hands in the real thing."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from meter.feeds import MIX
from meter.instances import Instance
from meter.marks import Mark
from meter.marks_file import MarksFile
from meter.plugin.manifest import SettingEntry
from meter.plugin.services import asking_for, holder
from meter.readings import Frame
from meter.settings import PRESETS, SourceChoice

Setting = float | str | bool
Offered = tuple[tuple[str, Setting], ...]
"""Values of presets for one setting: what each is called, and the value."""


class EngineLink(Protocol):
    """The engine as the window sees it. Every method is called from the window's thread and returns at once."""

    def take(self) -> Frame | None:
        """The newest snapshot, None before the first; the **same object** as last time when nothing new came."""
        ...

    def open(self, request: Mapping[str, Any], feeds: Mapping[str, tuple[int, ...]] | None = None) -> None:
        """Listen to ``{"kind": …, "name": …, "options": {…}}``; what goes wrong comes back in the feed status.

        ``feeds`` names the columns of each feed; without it all is the mix, unless the source itself tells. The
        request may name the "job", for the day record.
        """
        ...

    def hold(self, held: bool) -> None:
        """Let the readings stand still, or go on."""
        ...

    def reset(self) -> None:
        """Forget what was measured since the last reset."""
        ...

    def suspend(self, reason: str) -> None:
        """Count nothing for this stated reason, which the feed status then holds; an empty one ends it."""
        ...

    def mark(self) -> None:
        """Restart the figures since the mark; ``Frame.marks`` then lists the span that ended."""
        ...

    def choose_at_play(self, choice: str) -> None:
        """What happens when play starts after a stop, a word of ``meter.marks.AT_PLAY``."""
        ...

    def name_mark(self, number: int, name: str) -> None:
        """Name the mark with this index in ``Frame.marks``."""
        ...

    def put_back_marks(self, marks: tuple[Mark, ...]) -> None:
        """Have the marks of an earlier run of the program in the list."""

    def clear_marks(self) -> None:
        """Drop the marks whose spans have ended."""
        ...

    def configure(self, meter_id: str, settings: Mapping[str, Setting]) -> None:
        """Change these settings of one meter; settings that are not named stay as they are."""
        ...

    def use_instances(self, instances: tuple[Instance, ...]) -> None:
        """Measure these further instances of meters, and no others; those that stay keep what they measured."""
        ...

    def record(self, kind: str, words: str, feed: str = "") -> None:
        """Put what just happened into the day record; kept while no engine answers."""
        ...

    def poll(self) -> None:
        """Look after the engine: replace a dead or stuck one. Called about ten times a second."""
        ...

    def close(self) -> None:
        """End the engine and wait for it briefly; the last call made."""
        ...


@dataclass(frozen=True)
class Foreign:
    """That a meter is by others: ``key`` identifies it and its version, ``folder`` is where its code lies, with a
    separator at its end."""

    key: str
    folder: str


@dataclass(frozen=True)
class MeterEntry:
    """One meter that the program knows of.

    ``load_face`` imports the face and returns its class, or is None for a meter without a face; ``views`` are its
    further faces by name, ``titles`` the titles of all faces, that of ``load_face`` under "". One that is not
    ``on_pages`` has a card only where a page layout asks for it.
    ``trouble`` is one sentence when the host refused the meter; it is then shown in place of the face.
    The face of a ``foreign`` meter is called under guard. ``services`` are those of ``meter.plugin.services`` that it
    asks for. ``feed`` is the one it measures; ``single`` says why it can stand only once, empty where it can stand on
    several feeds. ``offered`` has by setting the values of presets.
    """

    meter_id: str
    name: str
    summary: str = ""
    load_face: Callable[[], Any] | None = None
    settings: tuple[SettingEntry, ...] = ()
    trouble: str = ""
    views: Mapping[str, Callable[[], Any]] = field(default_factory=dict)
    titles: Mapping[str, str] = field(default_factory=dict)
    on_pages: bool = True
    foreign: Foreign | None = None
    services: tuple[str, ...] = ()
    feed: str = MIX
    single: str = ""
    offered: Mapping[str, Offered] = field(default_factory=dict)

    @property
    def ours(self) -> bool:
        """True for a meter of this program."""
        return self.foreign is None


@dataclass(frozen=True)
class OtherMeter:
    """One meter by others for the menu: ``key`` is its package or folder; ``for_this_run`` was named at the start.

    ``folder`` is where its code lies.
    """

    key: str
    name: str
    version: str
    origin: str
    folder: str
    enabled: bool
    for_this_run: bool = False


@dataclass(frozen=True)
class RuleEntry:
    """One exposure rule that may be chosen: its name, its caution, and the listening meter's settings for it."""

    name: str
    caution: str
    settings: Mapping[str, Setting]


@dataclass(frozen=True)
class DayRecords:
    """Where the day records lie, and what their figures are called: ``meter: label`` by full key."""

    folder: Path
    labels: Callable[[], Mapping[str, str]]


@dataclass(frozen=True)
class Surroundings:
    """What ``app`` hands to the window besides the engine.

    ``settings_path`` is where settings are saved, None to keep nothing; ``marks_file`` keeps the marks.
    ``list_command`` is the command line of the child process that prints the sources as JSON.
    ``write_noise(folder, kind)`` writes the calibration noise ``"band"`` or ``"wide"`` to sound files and returns an
    empty string, or one sentence when it could not. ``noise_command`` is the command line of the child that plays it.
    ``pages_folder`` holds the page layouts.
    ``starting_source`` is opened first without being remembered for the next start. ``first_source`` is what the
    engine listens to at the first start, before anything was chosen; it is kept once it sounds.
    ``rules`` are the exposure rules, the most protective first; ``people`` names all who have an exposure record.
    ``records`` are the day records.
    """

    settings_path: Path | None
    pages_folder: Path
    marks_file: MarksFile | None = None
    list_command: Sequence[str] = ()
    write_noise: Callable[[Path, str], str] | None = None
    noise_command: Sequence[str] = ()
    meters: tuple[MeterEntry, ...] = field(default=())
    notice: str = ""
    starting_source: SourceChoice | None = None
    first_source: SourceChoice | None = None
    rules: tuple[RuleEntry, ...] = ()
    people: Callable[[], Sequence[str]] = tuple
    records: DayRecords | None = None

    @property
    def own_presets(self) -> Path | None:
        """The user's folder of presets, which may not exist; None where nothing is kept."""
        return self.settings_path.parent / PRESETS if self.settings_path is not None else None

    def holder(self, service: str) -> str:
        """The id of the meter that holds a service, empty where there is none."""
        entry = holder(service, self.meters)
        return entry.meter_id if entry is not None else ""

    def asking_for(self, service: str) -> list[str]:
        """The ids of all meters that ask for a service."""
        return [entry.meter_id for entry in asking_for(service, self.meters)]
