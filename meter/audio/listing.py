"""The sources of this machine, and the reasons why others are missing.

``python -m meter.audio.listing`` prints it as one JSON object and ends: PortAudio's list is frozen when it starts, so
a fresh list comes from a fresh, short-lived process. The caller gives it a limit of 8 s.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import msgspec

from meter.audio import pulse
from meter.audio.driver_query import DriverQuery
from meter.audio.monitor import DEFAULT_MONITOR, label_of
from meter.audio.portaudio import InputDevice
from meter.audio.pulse import PulseServer, PulseSource
from meter.audio.source import MOST_CHANNELS, SourceError
from meter.sound_lists import Listing, SourceEntry, encode, read_sources

FAKE_LIST_VARIABLE = "EARWITNESS_FAKE_DEVICES"
"""Path of a JSON file that replaces the machine's list, for tests."""
DEFAULT_LABEL = "the default output"
LESSER_HOST_APIS = ("MME", "Windows DirectSound", "OSS")


def survey() -> Listing:
    """All sources, playback first, then inputs; without the sound server (Linux) or PortAudio ``missing`` has why."""
    parts = list(surveyed())
    return Listing(
        tuple(entry for part in parts for entry in part.sources),
        tuple(sentence for part in parts for sentence in part.missing),
    )


def surveyed() -> Iterator[Listing]:
    """The same in parts, each when it is ready: sources of the sound server, then devices of PortAudio.

    Both are queried at the same time with a timeout of 3 s each, so the whole takes little more than 3 s.
    """
    fake = os.environ.get(FAKE_LIST_VARIABLE)
    if fake:
        yield _fake_listing(Path(fake))
        return
    with DriverQuery() as query:
        server = _server_listing() if sys.platform == "linux" else Listing()
        yield server
        yield _device_listing(query, server_answers=sys.platform == "linux" and not server.missing)


def _server_listing() -> Listing:
    try:
        return Listing(tuple(server_entries(pulse.query_server())))
    except SourceError as error:
        return Listing(missing=(str(error),))


def _device_listing(query: DriverQuery, server_answers: bool) -> Listing:
    try:
        return Listing(tuple(device_entry(device, server_answers) for device in query.inputs()))
    except SourceError as error:
        return Listing(missing=(str(error),))


def server_entries(server: PulseServer) -> list[SourceEntry]:
    """The default output's monitor, every other monitor, then the inputs of the sound server."""
    monitors = [source for source in server.sources if source.monitor_of]
    inputs = [source for source in server.sources if not source.monitor_of]
    entries = []
    default = server.default_monitor()
    if default is not None:
        entry = _server_entry(default, server)
        entries.append(msgspec.structs.replace(entry, name=DEFAULT_MONITOR, label=DEFAULT_LABEL, now=entry.label))
    return entries + [_server_entry(source, server) for source in (*monitors, *inputs)]


def _server_entry(source: PulseSource, server: PulseServer) -> SourceEntry:
    sink = server.sink(source.monitor_of) if source.monitor_of else None
    return SourceEntry(
        playing=sink is not None and sink.playing,
        kind="monitor",
        name=source.name,
        label=label_of(source, server),
        host_api=_server_name(server),
        channels=source.channels,
        rate_hz=source.rate_hz,
        hint=server.volume_note(source),
        loopback=bool(source.monitor_of),
        positions=source.channel_names,
    )


def device_entry(device: InputDevice, server_answers: bool = False) -> SourceEntry:
    """The entry of a PortAudio device; with ``server_answers``, ALSA devices that use the server are lesser."""
    through_server = device.host_api == "ALSA" and device.converts
    hint = ""
    if through_server:
        hint = "Goes through the sound server, which may convert the sample rate; choose a source by name."
    elif device.converts:
        hint = "The system may convert the sample rate without notice; prefer the same input under Windows WASAPI."
    elif device.channels > MOST_CHANNELS:
        hint = f"Has {device.channels} channels; choose up to {MOST_CHANNELS} of them."
    return SourceEntry(
        kind="device",
        name=device.name,
        label=f"{device.name} (default input)" if device.is_default else device.name,
        host_api=device.host_api,
        channels=device.channels,
        rate_hz=device.rate_hz,
        hint=hint,
        loopback=device.is_loopback,
        lesser=device.host_api in LESSER_HOST_APIS or (through_server and server_answers),
    )


def _fake_listing(path: Path) -> Listing:
    try:
        sources, missing = read_sources(path.read_bytes(), SourceEntry)
        return Listing(tuple(sources), tuple(missing))
    except (OSError, ValueError) as error:
        return Listing(missing=(f"The list in {FAKE_LIST_VARIABLE} cannot be read ({error}); correct '{path}'.",))


def _server_name(server: PulseServer) -> str:
    return "PipeWire" if server.is_pipewire else "PulseAudio"


def main() -> int:
    """Print the list as JSON. Always returns 0, since what is missing is part of the list."""
    print(encode(survey()))
    return 0


if __name__ == "__main__":
    sys.exit(main())
