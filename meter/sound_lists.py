"""Sources and outputs of this machine, as the child that lists them prints them and the window reads them: JSON."""

from __future__ import annotations

from typing import Any, TypeVar

import msgspec

MOST_ENTRIES = 500
MOST_CHANNELS = 1024


class SourceEntry(msgspec.Struct, frozen=True):
    """One source. ``kind`` and ``name`` (with ``host_api`` for devices) make the ``SourceRequest``.

    ``label`` is the text to show; ``hint`` is one sentence or empty. ``loopback`` is True for a source that carries
    playback, False for a microphone or line. ``lesser`` entries reach the same hardware in a worse way.
    ``positions`` are the channel names, empty where the system gives none. ``now`` is the device that an entry such
    as the default output stands for at present. ``playing``: a program plays to that output now.
    """

    kind: str
    name: str
    label: str = ""
    host_api: str = ""
    channels: int = 0
    rate_hz: int = 0
    hint: str = ""
    loopback: bool = False
    lesser: bool = False
    positions: tuple[str, ...] = ()
    now: str = ""
    playing: bool = False


class Listing(msgspec.Struct, frozen=True):
    """Sources, and in ``missing`` one sentence for each audio system that could not be queried."""

    sources: tuple[SourceEntry, ...] = ()
    missing: tuple[str, ...] = ()


class Output(msgspec.Struct, frozen=True):
    """One output. ``kind`` is ``"sink"`` (of the sound server) or ``"device"``; ``name`` finds it again."""

    kind: str
    name: str
    label: str = ""
    host_api: str = ""
    rate_hz: int = 48_000


class OutputListing(msgspec.Struct, frozen=True):
    """Outputs, and in ``missing`` one sentence for each audio system that could not be queried."""

    outputs: tuple[Output, ...] = ()
    missing: tuple[str, ...] = ()


Entry = TypeVar("Entry", bound=msgspec.Struct)


def encode(message: msgspec.Struct) -> str:
    """One JSON object on one line."""
    return msgspec.json.encode(message).decode()


def read_sources(text: bytes, entry: type[Entry]) -> tuple[list[Entry], list[str]]:
    """Entries of a ``Listing`` as ``entry``, and its sentences; raises ValueError with one sentence.

    An entry that is not one of ours is left out; the others are of use without it.
    """
    try:
        plain = msgspec.json.decode(text)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise ValueError("The list of sources came back garbled; rescan.") from error
    if not isinstance(plain, dict) or not isinstance(plain.get("sources"), list):
        raise ValueError("The list of sources came back in a form that this window does not know; rescan.")
    missing = plain.get("missing", [])
    found = [_converted(item, entry) for item in plain["sources"][:MOST_ENTRIES]]
    sentences = [str(sentence) for sentence in missing] if isinstance(missing, list) else []
    return [each for each in found if each is not None], list(dict.fromkeys(sentences))


def read_outputs(text: bytes) -> OutputListing:
    """What the child printed; anything else is an empty list."""
    try:
        return msgspec.json.decode(text, type=OutputListing)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return OutputListing()


def _converted(item: Any, entry: type[Entry]) -> Entry | None:
    try:
        found = msgspec.convert(item, entry, strict=False)
    except msgspec.ValidationError:
        return None
    return found if 0 <= getattr(found, "channels", 0) <= MOST_CHANNELS else None
