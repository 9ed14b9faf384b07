"""What ``pactl`` prints, in its JSON and its plain form, and what is said when it or the server is missing.

The answers of PulseAudio 16.1 are shortened from a run of it; those of PipeWire's server are written from memory of
its form (no such desktop was at hand).
"""

from __future__ import annotations

import json
import math
import stat
from pathlib import Path

import pytest

from meter.audio import pulse
from meter.audio.monitor import MonitorSource, describe, label_of
from meter.audio.pulse import PulseServer, PulseSink, PulseSource
from meter.audio.source import SourceError, SourceRequest
from meter.audio.watcher import compare

INFO = """Server String: /run/user/1000/pulse/native
Server Name: pulseaudio
Server Version: 16.1
Default Sink: room
Default Source: line
"""
PIPEWIRE_INFO = INFO.replace("Server Name: pulseaudio", "Server Name: PulseAudio (on PipeWire 1.0.5)")

SOURCES = """Source #3
	State: RUNNING
	Name: room.monitor
	Description: Monitor of Two Loudspeakers
	Driver: module-null-sink.c
	Sample Specification: float32le 2ch 44100Hz
	Channel Map: front-left,front-right
	Owner Module: 1
	Mute: no
	Volume: front-left: 65536 / 100% / 0.00 dB,   front-right: 65536 / 100% / 0.00 dB
	Base Volume: 65536 / 100% / 0.00 dB
	Monitor of Sink: room
	Latency: 0 usec, configured 2000000 usec
	Flags: DECIBEL_VOLUME LATENCY
	Properties:
		device.description = "Monitor of Two Loudspeakers"
		device.class = "monitor"
	Formats:
		pcm

Source #7
	State: SUSPENDED
	Name: line
	Description: Line: Ünder the desk
	Driver: PipeWire
	Sample Specification: s32le 4ch 96000Hz
	Channel Map: aux0,aux1,aux2,aux3
	Owner Module: 4294967295
	Mute: yes
	Volume: aux0: 65536 / 100% / 0.00 dB
	Monitor of Sink: n/a
	Flags: HARDWARE HW_MUTE_CTRL HW_VOLUME_CTRL DECIBEL_VOLUME LATENCY
	Properties:
		device.class = "sound"
	Ports:
		analog-input: Line (type: Line, priority: 8100)
	Active Port: analog-input
"""
SINKS = """Sink #3
	Name: room
	Description: Two Loudspeakers
	Mute: no
	Volume: front-left: 32768 /  50% / -18.06 dB,   front-right: 41287 /  63% / -12.04 dB
	Monitor Source: room.monitor
	Flags: DECIBEL_VOLUME LATENCY SET_FORMATS
"""


def as_json(text: str) -> str:
    """The JSON form of a plain answer: the volume as nested values and the flags as a list."""
    records = []
    for record in pulse.parse_text(text):
        levels = pulse.DECIBELS.findall(str(record["volume"]))
        records.append(
            {
                **record,
                "mute": record["mute"] == "yes",
                "volume": {str(number): {"value": 1, "db": f"{level} dB"} for number, level in enumerate(levels)},
                "flags": str(record["flags"]).split(),
            }
        )
    return json.dumps(records)


def program(folder: Path, name: str, script: str) -> None:
    path = folder / name
    path.write_text(f"#!/bin/sh\n{script}\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)


@pytest.fixture
def tools(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that is the whole search path: no tool is there until a test puts it in."""
    folder = tmp_path / "bin"
    folder.mkdir()
    monkeypatch.setenv("PATH", str(folder))
    return folder


def stand_in_pactl(folder: Path, *, knows_json: bool, info: str = INFO, broken_json: bool = False) -> None:
    """A ``pactl`` that gives the answers above."""
    for kind, text in {"sources": SOURCES, "sinks": SINKS}.items():
        (folder / f"{kind}.txt").write_text(text, encoding="utf-8")
        (folder / f"{kind}.json").write_text("[{" if broken_json else as_json(text), encoding="utf-8")
    (folder / "info.txt").write_text(info)
    refusal = "" if knows_json else "echo \"pactl: unrecognized option '$1'\" >&2; exit 1"
    program(
        folder,
        "pactl",
        f"""case "$1" in
info) exec /bin/cat {folder}/info.txt;;
--format=json) {refusal}
exec /bin/cat {folder}/$3.json;;
list) exec /bin/cat {folder}/$2.txt;;
esac
exit 1""",
    )


@pytest.mark.parametrize(("knows_json", "broken_json"), [(True, False), (False, False), (True, True)])
def test_both_forms_give_the_same_server(tools: Path, knows_json: bool, broken_json: bool) -> None:
    stand_in_pactl(tools, knows_json=knows_json, broken_json=broken_json)
    server = pulse.query_server()
    room, line = server.sources
    assert room == PulseSource(
        3, "room.monitor", "Monitor of Two Loudspeakers", 44_100, 2, ("front-left", "front-right"), "room", 0.0
    )
    assert (line.index, line.description, line.rate_hz, line.channels) == (7, "Line: Ünder the desk", 96_000, 4)
    assert (line.monitor_of, line.volume_db) == ("", -math.inf)
    assert line.channel_names == ("aux0", "aux1", "aux2", "aux3")
    assert server.sinks[0].volume_db == pytest.approx(-18.06)
    assert server.default_monitor() is room
    assert describe(room, server) == "Two Loudspeakers"
    assert describe(line, server) == "Line: Ünder the desk"


def test_letters_that_json_loses_are_read_from_the_plain_text(tools: Path) -> None:
    # What pactl 16.1 prints: "(null)" for every text with a character that is not ASCII.
    stand_in_pactl(tools, knows_json=True)
    (tools / "sources.json").write_text(as_json(SOURCES.replace("Line: Ünder the desk", "(null)")))
    (tools / "sinks.txt").write_text(SINKS.replace("Two Loudspeakers", "Zwei Kopfhörer"), encoding="utf-8")
    (tools / "sinks.json").write_text(as_json(SINKS.replace("Two Loudspeakers", "(null)")))
    server = pulse.query_server()
    assert [source.description for source in server.sources] == [
        "Monitor of Two Loudspeakers",
        "Line: Ünder the desk",
    ]
    assert describe(server.sources[0], server) == "Zwei Kopfhörer"
    assert server.sinks[0].volume_db == pytest.approx(-18.06)


def test_equal_descriptions_are_told_apart_by_the_servers_own_name() -> None:
    twin = PulseSource(9, "twin.monitor", "Room", 48_000, 2, (), "twin", 0.0)
    sinks = tuple(PulseSink(name, "Room", 0.0, True) for name in ("room", "twin"))
    server = PulseServer((source(), twin), sinks, "room")
    assert label_of(source(), server) == "Room (room.monitor)"
    assert label_of(twin, server) == "Room (twin.monitor)"
    assert source().identity != twin.identity


@pytest.mark.parametrize("knows_json", [True, False])
def test_headphones_in_the_socket_are_another_output_of_the_same_sink(tools: Path, knows_json: bool) -> None:
    def plug(port: str) -> PulseServer:
        text = SINKS + f"\tActive Port: {port}\n"
        (tools / "sinks.txt").write_text(text)
        (tools / "sinks.json").write_text(as_json(text))
        return pulse.query_server()

    stand_in_pactl(tools, knows_json=knows_json)
    before, after = plug("analog-output-speaker"), plug("analog-output-headphones")
    opened = before.sources[0]
    assert opened.identity == "room.monitor [analog-output-speaker]"
    assert after.sources[0].identity == "room.monitor [analog-output-headphones]"
    assert compare(opened, before, follows_default=True) == ""
    assert "switched from 'analog-output-speaker' to 'analog-output-headphones'" in compare(opened, after, True)


def test_a_volume_between_the_player_and_us_is_told(tools: Path) -> None:
    stand_in_pactl(tools, knows_json=False)
    server = pulse.query_server()
    assert server.volume_note(server.sources[0]) == (
        "The output 'Two Loudspeakers' is at -18.1 dB in the sound server, which shifts every reading by that; "
        "set it to 100 %."
    )
    assert "is muted" in server.volume_note(server.sources[1])


def test_on_pipewire_the_monitor_comes_before_the_volume(tools: Path) -> None:
    stand_in_pactl(tools, knows_json=True, info=PIPEWIRE_INFO)
    server = pulse.query_server()
    assert server.is_pipewire
    assert server.volume_note(server.sources[0]) == ""


def test_an_output_with_its_volume_in_hardware_shifts_nothing(tools: Path) -> None:
    stand_in_pactl(tools, knows_json=False)
    (tools / "sinks.txt").write_text(SINKS.replace("Flags: DECIBEL", "Flags: HARDWARE HW_VOLUME_CTRL DECIBEL"))
    server = pulse.query_server()
    assert server.volume_note(server.sources[0]) == ""


@pytest.mark.parametrize(
    ("volume", "muted", "level_db"),
    [
        ("front-left: 65536 / 100% / 0.00 dB", "no", 0.0),
        ("left: 0 / 0% / -inf dB, right: 65536 / 100% / 0.00 dB", "no", -math.inf),
        ("left: 1 / 150% / 10.57 dB", "no", 10.57),
        ("left: 1 / 50% / -18,06 dB", "no", -18.06),
        ({"mono": {"db": "-6.00 dB"}}, True, -math.inf),
        ("no decibels here", "no", 0.0),
    ],
)
def test_the_volume_furthest_from_unity_counts(volume: object, muted: object, level_db: float) -> None:
    assert pulse.volume_db(volume, muted) == level_db


@pytest.mark.parametrize(
    ("positions", "names"),
    [
        (("mono",), ("M",)),
        (("front-left", "front-right", "rear-left", "rear-right"), ("L", "R", "Ls", "Rs")),
        (
            (
                "front-left",
                "front-right",
                "rear-left",
                "rear-right",
                "front-center",
                "lfe",
                "side-left",
                "side-right",
            ),
            ("L", "R", "Lb", "Rb", "C", "LFE", "Ls", "Rs"),
        ),
        (("aux0", "top-center"), ("aux0", "top-center")),
    ],
)
def test_positions_become_roles_where_the_layout_says_so(positions: tuple[str, ...], names: tuple[str, ...]) -> None:
    assert source(positions=positions, channels=len(positions)).channel_names == names


def source(index: int = 1, rate_hz: int = 48_000, channels: int = 2, positions: tuple[str, ...] = ()) -> PulseSource:
    return PulseSource(index, "room.monitor", "Room", rate_hz, channels, positions, "room", 0.0)


def holding(*sources: PulseSource, default_sink: str = "room") -> PulseServer:
    return PulseServer(sources, (), default_sink)


OTHER = PulseSource(9, "hall.monitor", "Hall", 48_000, 2, (), "hall", 0.0)


@pytest.mark.parametrize(
    ("server", "words"),
    [
        (holding(source()), ""),
        (holding(OTHER), "'Room' was removed; reconnect"),
        (holding(source(index=2)), "was removed and came back"),
        (holding(source(rate_hz=44_100)), "now runs at 44,100 Hz with 2 channels"),
        (holding(source(channels=6)), "with 6 channels"),
        (holding(source(), OTHER, default_sink="hall"), "default output changed to 'Hall'"),
        (holding(source(), default_sink=""), ""),
    ],
)
def test_a_source_is_compared_with_what_was_opened(server: PulseServer, words: str) -> None:
    sentence = compare(source(), server, follows_default=True)
    assert words in sentence
    assert bool(sentence) is bool(words)


def test_another_default_is_no_matter_to_a_source_chosen_by_name() -> None:
    assert compare(source(), holding(source(), OTHER, default_sink="hall"), follows_default=False) == ""


@pytest.mark.usefixtures("tools")
@pytest.mark.parametrize("name", ["", "@DEFAULT_MONITOR@", "room.monitor"])
def test_without_the_tools_one_sentence_names_the_package(name: str) -> None:
    with pytest.raises(SourceError, match=r"parec is not installed.*`apt install pulseaudio-utils`"):
        MonitorSource(SourceRequest("monitor", name)).open()
    with pytest.raises(SourceError, match=r"pactl is not installed.*`dnf install pulseaudio-utils`"):
        pulse.query_server()


def test_without_a_server_one_sentence_says_how_to_start_it(tools: Path) -> None:
    program(tools, "pactl", 'echo "Connection failure: Connection refused" >&2; exit 1')
    with pytest.raises(
        SourceError, match=r"No sound server answers \(Connection failure: Connection refused\)"
    ) as no:
        pulse.query_server()
    assert "systemctl --user start pipewire-pulse" in str(no.value)


def test_a_server_that_does_not_answer_is_not_waited_for(tools: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pulse, "ANSWER_SECONDS", 0.05)
    program(tools, "pactl", "exec /bin/sleep 5")
    with pytest.raises(SourceError, match=r"has not answered for 0\.05 s; restart it"):
        pulse.query_server()


def test_a_source_gone_from_the_server_is_one_sentence(tools: Path) -> None:
    stand_in_pactl(tools, knows_json=True)
    program(tools, "parec", "exit 0")
    with pytest.raises(SourceError, match="'hall' is not there; reconnect it or choose another"):
        MonitorSource(SourceRequest("monitor", "hall")).open()


def test_a_sentence_names_what_the_user_chose(tools: Path) -> None:
    stand_in_pactl(tools, knows_json=True)
    program(tools, "parec", "exit 0")
    with pytest.raises(SourceError, match=r"^The source 'the big desk' is not there;"):
        MonitorSource(SourceRequest("monitor", "usb.monitor", label="the big desk")).open()
    with pytest.raises(SourceError, match="'the big desk' has"):
        MonitorSource(SourceRequest("monitor", "room.monitor", {"channels": [40]}, "the big desk")).open()


def test_without_a_default_output_one_sentence_says_where_to_choose(tools: Path) -> None:
    stand_in_pactl(tools, knows_json=True, info=INFO.replace("Default Sink: room", "Default Sink: "))
    program(tools, "parec", "exit 0")
    with pytest.raises(SourceError, match="no default output; choose one"):
        MonitorSource(SourceRequest("monitor")).open()


def test_the_tools_speak_english_to_us(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LANGUAGE", "de")
    monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")
    environment = pulse.tool_environment()
    assert environment["LC_ALL"] == "C.UTF-8"
    assert "LANGUAGE" not in environment


SIX = ("front-left", "front-right", "rear-left", "rear-right", "front-center", "lfe")


@pytest.mark.parametrize(
    ("positions", "channels", "roles"),
    [
        (SIX, None, ("L", "R", "Ls", "Rs", "C", "LFE")),
        (SIX, [5, 6], ()),
        (("aux0", "aux1", "aux2"), None, ()),
        ((), None, ()),
    ],
    ids=["all of a 5.1 output", "two of its channels", "no positions", "no map"],
)
def test_a_monitor_tells_the_roles_of_its_channels_where_all_are_taken(
    monkeypatch: pytest.MonkeyPatch, positions: tuple[str, ...], channels: list[int] | None, roles: tuple[str, ...]
) -> None:
    found = source(positions=positions, channels=len(positions) or 6)
    monkeypatch.setattr(pulse, "require_tool", lambda name: name)
    monkeypatch.setattr(pulse, "query_server", lambda: holding(found))
    options = {} if channels is None else {"channels": channels}
    assert MonitorSource(SourceRequest("monitor", "room.monitor", options)).open().roles == roles
