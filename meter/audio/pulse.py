"""Sources and outputs of the Linux sound server (PulseAudio, or PipeWire in its place), queried by ``pactl``.

PortAudio does not list monitor sources. ``pactl`` prints JSON from version 16 on; earlier its plain text is parsed
into the same records. ``pactl`` 16 writes ``"(null)"`` in JSON for every text that is not ASCII; its plain text has
the letters, so that is parsed then.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from meter.audio.source import SourceError

ANSWER_SECONDS = 3.0
TOOLS_FIX = (
    "run `apt install pulseaudio-utils` (Debian, Ubuntu), `dnf install pulseaudio-utils` (Fedora) "
    "or `pacman -S libpulse` (Arch)"
)
SERVER_FIX = "start it with `systemctl --user start pipewire-pulse` (PipeWire) or `pulseaudio --start` (PulseAudio)"
DECIBELS = re.compile(r"(-?(?:inf|\d+(?:[.,]\d+)?)) dB")
SPECIFICATION = re.compile(r"(\d+)ch (\d+)Hz")
NOTHING = ("", "n/a", "(null)", "None")
LOST_LETTERS = '"(null)"'
"""In the JSON of ``pactl`` 16, a text that is not ASCII."""
UNITY_DB = 0.05
"""A volume nearer to 0 dB than this counts as unity: pactl prints hundredths."""

ROLE_OF_POSITION = {
    "mono": "M",
    "front-left": "L",
    "front-right": "R",
    "front-center": "C",
    "lfe": "LFE",
    "side-left": "Ls",
    "side-right": "Rs",
    "rear-center": "Cb",
    "front-left-of-center": "Lc",
    "front-right-of-center": "Rc",
}
"""Positions of the server's channel map that are the same in every layout; the rear ones depend on the sides."""


@dataclass(frozen=True)
class PulseSource:
    """One source of the server. ``monitor_of`` is the sink whose output it carries, empty for a real input.

    ``volume_db`` is the volume furthest from 0 dB of its channels (minus infinity when muted): it shifts the
    readings. ``index`` is valid while the source is there; ``name`` is stable. ``port`` is the socket that the sink
    of a monitor plays through, such as that of headphones; empty where it has none.
    """

    index: int
    name: str
    description: str
    rate_hz: int
    channels: int
    positions: tuple[str, ...]
    monitor_of: str
    volume_db: float
    port: str = ""

    @property
    def identity(self) -> str:
        """The server's own name and the port: the key of a calibration. Descriptions are not unique."""
        return f"{self.name} [{self.port}]" if self.port else self.name

    @property
    def channel_names(self) -> tuple[str, ...]:
        """Names of the channels in the source's own order: roles of known positions, otherwise the position."""
        rear = {"rear-left": "Lb", "rear-right": "Rb"}
        if not {"side-left", "side-right"} & set(self.positions):
            rear = {"rear-left": "Ls", "rear-right": "Rs"}
        return tuple(ROLE_OF_POSITION.get(position) or rear.get(position, position) for position in self.positions)


@dataclass(frozen=True)
class PulseSink:
    """One output of the server; with ``software_volume`` its volume is applied to the sound of its monitor.

    ``playing`` while a program plays to it.
    """

    name: str
    description: str
    volume_db: float
    software_volume: bool
    port: str = ""
    playing: bool = False


@dataclass(frozen=True)
class PulseServer:
    """State of the server at one moment. ``is_pipewire``: its monitors carry the sound before the volume."""

    sources: tuple[PulseSource, ...]
    sinks: tuple[PulseSink, ...]
    default_sink: str
    is_pipewire: bool = False

    def source(self, name: str) -> PulseSource | None:
        """The source called ``name``, None if it is not there."""
        return next((source for source in self.sources if source.name == name), None)

    def sink(self, name: str) -> PulseSink | None:
        """The sink called ``name``, None if it is not there."""
        return next((sink for sink in self.sinks if sink.name == name), None)

    def default_monitor(self) -> PulseSource | None:
        """The monitor of the default output, None if the server has no default output."""
        return next((source for source in self.sources if source.monitor_of == self.default_sink != ""), None)

    def volume_note(self, source: PulseSource) -> str:
        """One sentence if a volume of the server shifts the readings, otherwise empty."""
        if abs(source.volume_db) > UNITY_DB:
            return _volume_sentence("The capture", source.description, source.volume_db)
        sink = self.sink(source.monitor_of) if source.monitor_of else None
        if sink is None or self.is_pipewire or not sink.software_volume or abs(sink.volume_db) <= UNITY_DB:
            return ""
        return _volume_sentence("The output", sink.description, sink.volume_db)


def query_server() -> PulseServer:
    """All sources and sinks. Raises SourceError with one sentence when the tools or the server are missing."""
    info = _info(pactl("info"))
    sources = [_source(record) for record in _records("source") if _is_usable(record)]
    sinks = tuple(_sink(record) for record in _records("sink"))
    ports = {sink.name: sink.port for sink in sinks}
    return PulseServer(
        sources=tuple(replace(source, port=ports.get(source.monitor_of, "")) for source in sources),
        sinks=sinks,
        default_sink=info.get("default sink", ""),
        is_pipewire="pipewire" in info.get("server name", "").lower(),
    )


def list_outputs_to_clients() -> list[Mapping[str, Any]]:
    """The server's capture streams (source outputs) as pactl gives them: ``source``, ``volume``, ``properties``…"""
    return _records("source-output")


def sink_of_process(pid: int) -> str:
    """The name of the output that a process of this number plays to; empty while it plays to none."""
    for record in _records("sink-input"):
        properties = record.get("properties", {})
        if isinstance(properties, dict) and str(properties.get("application.process.id", "")) == str(pid):
            return next(
                (str(sink["name"]) for sink in _records("sink") if str(sink["index"]) == str(record.get("sink", ""))),
                "",
            )
    return ""


def require_tool(name: str) -> str:
    """The full path of ``pactl`` or ``parec``. Raises SourceError naming the package."""
    path = shutil.which(name)
    if path is None:
        raise SourceError(f"The program {name} is not installed, so playback cannot be measured: {TOOLS_FIX}.")
    return path


def tool_environment() -> dict[str, str]:
    """Our environment with the tools' words in English, because we read them."""
    without = {key: value for key, value in os.environ.items() if key not in ("LANGUAGE", "LANG", "LC_MESSAGES")}
    return {**without, "LC_ALL": "C.UTF-8"}


def pactl(*words: str) -> str:
    """What ``pactl WORDS`` prints. Raises SourceError when it is missing, refused or late."""
    try:
        answer = subprocess.run(
            [require_tool("pactl"), *words],
            capture_output=True,
            timeout=ANSWER_SECONDS,
            env=tool_environment(),
            stdin=subprocess.DEVNULL,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise SourceError(
            f"The sound server has not answered for {ANSWER_SECONDS:g} s; restart it with "
            "`systemctl --user restart pipewire-pulse` or `pulseaudio -k`."
        ) from error
    if answer.returncode == 0:
        return answer.stdout.decode("utf-8", "replace")
    reason = answer.stderr.decode("utf-8", "replace").strip().splitlines()
    if any("option" in line for line in reason):
        raise UnknownOptionError(reason[0])
    raise SourceError(f"No sound server answers ({reason[0] if reason else 'no reason given'}): {SERVER_FIX}.")


class UnknownOptionError(SourceError):
    """This ``pactl`` is older than the option it was given."""


def volume_db(volume: object, muted: object) -> float:
    """The level in dB furthest from 0 that ``pactl`` names in ``volume`` (JSON value or text)."""
    if str(muted).lower() in ("yes", "true"):
        return -float("inf")
    levels = [float(level.replace(",", ".")) for level in DECIBELS.findall(str(volume))]
    return max(levels, key=abs, default=0.0)


def _records(kind: str) -> list[Mapping[str, Any]]:
    try:
        text = pactl("--format=json", "list", f"{kind}s")
        answer = json.loads(text)
        is_list = isinstance(answer, list) and all(isinstance(record, dict) for record in answer)
        if is_list and LOST_LETTERS not in text:
            return list(answer)
    except (UnknownOptionError, json.JSONDecodeError):
        pass
    return parse_text(pactl("list", f"{kind}s"))


def parse_text(text: str) -> list[Mapping[str, Any]]:
    """Plain ``pactl list`` text as the records of its JSON form: keys in lower case with underscores.

    Only the first level is read, and of the properties a flat mapping; other nested lists are left out.
    """
    records: list[dict[str, Any]] = []
    inside = ""
    for line in text.splitlines():
        head = re.match(r"\S.* #(\d+)$", line)
        if head:
            records.append({"index": int(head[1]), "properties": {}})
        elif records and (field := re.match(r"\t(\S[^:]*): ?(.*)$", line)):
            inside = field[1].lower().replace(" ", "_")
            key = "monitor_source" if inside == "monitor_of_sink" else inside
            records[-1].setdefault(key, field[2])
        elif records and inside == "properties" and (held := re.match(r'\t\t(\S+) = "(.*)"$', line)):
            records[-1]["properties"][held[1]] = held[2]
    return list(records)


def _info(text: str) -> dict[str, str]:
    pairs = (line.partition(": ") for line in text.splitlines())
    return {key.strip().lower(): value.strip() for key, _, value in pairs}


def _is_usable(record: Mapping[str, Any]) -> bool:
    return bool(SPECIFICATION.search(str(record.get("sample_specification", ""))))


def _source(record: Mapping[str, Any]) -> PulseSource:
    specification = SPECIFICATION.search(str(record["sample_specification"]))
    assert specification is not None
    monitor_of = str(record.get("monitor_source", ""))
    name = str(record.get("name", ""))
    return PulseSource(
        index=int(record["index"]),
        name=name,
        description=str(record.get("description") or name),
        rate_hz=int(specification[2]),
        channels=int(specification[1]),
        positions=tuple(_positions(record.get("channel_map", ""))),
        monitor_of="" if monitor_of in NOTHING else monitor_of,
        volume_db=volume_db(record.get("volume", ""), record.get("mute", "")),
    )


def _sink(record: Mapping[str, Any]) -> PulseSink:
    flags = record.get("flags", "")
    port = str(record.get("active_port", ""))
    name = str(record.get("name", ""))
    return PulseSink(
        name=name,
        description=str(record.get("description") or name),
        volume_db=volume_db(record.get("volume", ""), record.get("mute", "")),
        software_volume="HW_VOLUME_CTRL" not in str(flags),
        port="" if port in NOTHING else port,
        playing=str(record.get("state", "")).upper() == "RUNNING",
    )


def _positions(channel_map: object) -> Iterable[str]:
    return (position.strip() for position in str(channel_map).split(",") if position.strip())


def _volume_sentence(what: str, description: str, level_db: float) -> str:
    if level_db == -float("inf"):
        return f"{what} '{description}' is muted in the sound server, so nothing is measured; unmute it there."
    return (
        f"{what} '{description}' is at {level_db:+.1f} dB in the sound server, which shifts every reading by that; "
        "set it to 100 %."
    )
