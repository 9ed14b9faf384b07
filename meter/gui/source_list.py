"""What can be heard on this machine, as the listing child prints it, in groups for the picker. No Qt."""

from __future__ import annotations

from typing import Any

import msgspec

from meter.gui.feed_words import channel_words, rate_words

MAX_ENTRIES = 500
MAX_CHANNELS = 1024
MOST_AT_ONCE = 32
"""Channels the engine takes from one source."""

OLD_HOST_APIS = frozenset({"MME", "Windows DirectSound"})
"""Older roads to the same Windows devices; shown only behind “more”."""

PLAYING, INPUTS, OLDER = "what is playing", "inputs", "the same devices over older drivers"


class SourceEntry(msgspec.Struct, frozen=True):
    """One source. ``loopback`` says that it hears what another output plays."""

    kind: str
    name: str
    label: str = ""
    host_api: str = ""
    channels: int = 0
    rate_hz: int = 0
    hint: str = ""
    loopback: bool = False

    @property
    def title(self) -> str:
        """What the source is called on the screen."""
        return self.label or self.name or self.kind

    @property
    def detail(self) -> str:
        """Rate, channels and host API in words."""
        words = (rate_words(self.rate_hz), channel_words(self.channels), self.host_api)
        return "  ·  ".join(word for word in words if word)

    @property
    def group(self) -> str:
        """The heading under which it is listed."""
        if self.loopback or self.kind == "monitor":
            return PLAYING
        return OLDER if self.host_api in OLD_HOST_APIS else INPUTS

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


HEADINGS = (PLAYING, INPUTS, OLDER)


def read_listing(text: bytes) -> Listing:
    """The listing child's JSON; what is not an entry of ours is left out. Raises ValueError with one sentence."""
    try:
        items = msgspec.json.decode(text)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise ValueError("The list of sources came back garbled; rescan.") from error
    if not isinstance(items, list):
        raise ValueError("The list of sources came back in a form that this window does not know; rescan.")
    entries: list[SourceEntry] = []
    sentences: list[str] = []
    for item in items[:MAX_ENTRIES]:
        if isinstance(item, dict) and isinstance(item.get("sentence"), str) and "kind" not in item:
            sentences.append(item["sentence"])
            continue
        try:
            entry = msgspec.convert(item, SourceEntry, strict=False)
        except msgspec.ValidationError:
            continue
        if 0 <= entry.channels <= MAX_CHANNELS:
            entries.append(entry)
    return Listing(tuple(entries), tuple(dict.fromkeys(sentences)))


def channel_choices(channels: int) -> list[tuple[str, tuple[int, ...]]]:
    """What may be taken of a source with more than two channels: words, and channel numbers from 1."""
    if channels <= 2:
        return []
    choices: list[tuple[str, tuple[int, ...]]] = [
        (f"channels {first} and {first + 1}", (first, first + 1)) for first in range(1, channels, 2)
    ]
    if channels % 2:
        choices.append((f"channel {channels} alone", (channels,)))
    if channels <= MOST_AT_ONCE:
        choices.append((f"all {channels} channels", tuple(range(1, channels + 1))))
    return choices
