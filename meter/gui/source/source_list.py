"""What can be heard on this machine, as the listing child prints it, in groups for the picker. No Qt."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec

from meter import sound_lists
from meter.gui.source.feed_words import channel_words, rate_words
from meter.settings import SourceChoice

MOST_AT_ONCE = 32
"""Channels the engine takes from one source."""

PLAYING, INPUTS, LESSER = "what plays on an output", "inputs", "other ways to the same devices"
HEADINGS = (PLAYING, INPUTS, LESSER)
PLAYS_ON = "what plays on "
"""Before the name of an output where no heading says it."""
DEFAULT_OUTPUT = "@DEFAULT_MONITOR@"
"""The name of the source that follows the default output."""
DEFAULT_TITLE = PLAYS_ON + "the default output"
OLDER_WORDS = "What is playing on "
"""What earlier versions put before it."""


class SourceEntry(sound_lists.SourceEntry, frozen=True):
    """One source with its words for the picker."""

    @property
    def title(self) -> str:
        """What the source is called on the screen once it is chosen."""
        plain = self.label or self.name or self.kind
        return f"{PLAYS_ON}{plain}" if self.loopback and self.kind == "monitor" else plain

    @property
    def listed(self) -> str:
        """What it is called under its heading, which is not said again."""
        plain = plain_title(self.title)
        return f"{plain}, now {self.now}" if self.now else plain

    @property
    def detail(self) -> str:
        """Rate and channels in words, whether it plays now, and the host API where there is more than one."""
        host_api = self.host_api if self.kind == "device" else ""
        playing = "plays now" if self.playing else ""
        words = (playing, rate_words(self.rate_hz), channel_words(self.channels), host_api)
        return "  ·  ".join(word for word in words if word)

    @property
    def group(self) -> str:
        """The heading under which it is listed."""
        if self.lesser:
            return LESSER
        return PLAYING if self.loopback else INPUTS

    def request(self, channels: tuple[int, ...] = ()) -> dict[str, Any]:
        """The request that opens it; ``channels`` are numbers from 1, the source's usual ones when empty."""
        options: dict[str, Any] = {}
        if self.host_api and self.kind == "device":
            options["host_api"] = self.host_api
        if channels:
            options["channels"] = list(channels)
        return {"kind": self.kind, "name": self.name, "options": options}


class Listing(msgspec.Struct, frozen=True):
    """The sources, and sentences about what is missing on this machine."""

    entries: tuple[SourceEntry, ...] = ()
    sentences: tuple[str, ...] = ()

    def groups(self) -> dict[str, list[SourceEntry]]:
        """Entries by heading in the order of the picker; a heading without entries is left out."""
        found = {heading: [entry for entry in self.entries if entry.group == heading] for heading in HEADINGS}
        return {heading: entries for heading, entries in found.items() if entries}


def read_listing(text: bytes) -> Listing:
    """What the listing child printed; raises ValueError with one sentence."""
    entries, sentences = sound_lists.read_sources(text, SourceEntry)
    return Listing(tuple(entries), tuple(sentences))


def source_title(source: SourceChoice) -> str:
    """What a kept source is called on the screen: its label, a file without its folders, else its name."""
    if source.kind == "file" and source.label in ("", source.name):
        return Path(source.name).name
    if source.kind == "monitor" and source.name in ("", DEFAULT_OUTPUT):
        return DEFAULT_TITLE
    if source.label.startswith(OLDER_WORDS):
        return PLAYS_ON + source.label.removeprefix(OLDER_WORDS)
    return source.label or source.name or source.kind


def plain_title(title: str) -> str:
    """The title without the words that a heading or a narrow place leaves out: the name of the device."""
    return title.removeprefix(PLAYS_ON)


def channel_choices(channels: int, names: Sequence[str] = ()) -> list[tuple[str, tuple[int, ...]]]:
    """What may be taken of a source with more than two channels: words, and channel numbers from 1.

    ``names`` are the system's names of the channels, where it gives any.
    """
    if channels <= 2:
        return []
    numbers: list[tuple[int, ...]] = [(first, first + 1) for first in range(1, channels, 2)]
    if channels % 2:
        numbers.append((channels,))
    choices = [(_pair_words(pair, names if len(names) == channels else ()), pair) for pair in numbers]
    if channels <= MOST_AT_ONCE:
        choices.append((f"all {channels} channels", tuple(range(1, channels + 1))))
    return choices


def _pair_words(pair: tuple[int, ...], names: Sequence[str]) -> str:
    words = f"channels {pair[0]} and {pair[1]}" if len(pair) == 2 else f"channel {pair[0]} alone"
    return f"{words}: {', '.join(names[number - 1] for number in pair)}" if names else words
