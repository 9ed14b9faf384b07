"""The list of sources: of a sound server, of PortAudio, faked, and of a machine that has nothing."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from meter.audio import listing as listing_module
from meter.audio import portaudio, pulse
from meter.audio.listing import FAKE_LIST_VARIABLE, Listing, survey
from meter.audio.monitor import DEFAULT_MONITOR
from meter.audio.pulse import PulseServer, PulseSink, PulseSource
from meter.audio.source import SourceError
from meter.sound_lists import SourceEntry, encode, read_sources
from tests.support.fake_sounddevice import FakeSounddevice, device

STEREO = ("front-left", "front-right")
SERVER = PulseServer(
    sources=(
        PulseSource(0, "mic", "Desk microphone", 48_000, 1, ("mono",), "", 0.0),
        PulseSource(1, "a.monitor", "Monitor of Loudspeakers", 44_100, 2, STEREO, "a", 0.0),
        PulseSource(2, "b.monitor", "Monitor of Loudspeakers", 48_000, 2, STEREO, "b", -6.0),
    ),
    sinks=(PulseSink("a", "Loudspeakers", 0.0, True), PulseSink("b", "Loudspeakers", 0.0, True)),
    default_sink="b",
)


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> FakeSounddevice:
    fake = FakeSounddevice([device("Blue box", inputs=8), device("pulse", inputs=32, rate_hz=44_100.0)])
    monkeypatch.setitem(sys.modules, "sounddevice", fake)
    monkeypatch.setattr(portaudio, "_held", 0)
    monkeypatch.delenv(FAKE_LIST_VARIABLE, raising=False)
    return fake


class InThisProcess:
    """Takes the place of the query in a child, which would not find the fake library."""

    def __enter__(self) -> InThisProcess:
        return self

    def __exit__(self, *_error: object) -> None:
        """Nothing was started."""

    def inputs(self) -> list[portaudio.InputDevice]:
        return portaudio.input_devices()


@pytest.fixture(autouse=True)
def asked_here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listing_module, "DriverQuery", InThisProcess)


def refuse() -> PulseServer:
    raise SourceError("No sound server answers.")


@pytest.mark.usefixtures("library")
def test_on_linux_what_is_playing_comes_first_then_inputs_then_devices(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(pulse, "query_server", lambda: SERVER)
    entries = list(survey().sources)
    assert [entry.name for entry in entries] == [
        DEFAULT_MONITOR,
        "a.monitor",
        "b.monitor",
        "mic",
        "Blue box",
        "pulse",
    ]
    default, first, second, microphone, box, through = entries
    assert (default.label, default.now) == ("the default output", "Loudspeakers (b.monitor)")
    assert default.rate_hz == 48_000
    assert first.label == "Loudspeakers (a.monitor)"  # two outputs of one name are told apart
    assert second.hint.startswith("The capture 'Monitor of Loudspeakers' is at -6.0 dB")
    assert (first.loopback, microphone.loopback) == (True, False)
    assert microphone.positions == ("M",)
    assert (box.kind, box.channels, box.rate_hz, box.host_api, box.lesser) == ("device", 8, 48_000, "ALSA", False)
    assert through.lesser
    assert "may convert the sample rate" in through.hint


@pytest.mark.usefixtures("library")
def test_without_a_server_devices_remain_and_the_sentence_is_given(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(pulse, "query_server", refuse)
    listing = survey()
    assert [entry.name for entry in listing.sources] == ["Blue box", "pulse"]
    assert not listing.sources[1].lesser  # the only way left
    assert listing.missing == ("No sound server answers.",)


def test_a_bare_machine_gives_an_empty_list_and_two_sentences(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.delenv(FAKE_LIST_VARIABLE, raising=False)
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    monkeypatch.setattr(pulse, "query_server", refuse)
    listing = survey()
    assert listing.sources == ()
    assert len(listing.missing) == 2
    assert "pip install sounddevice" in listing.missing[1]


def test_on_windows_the_better_host_api_is_marked_by_the_others_being_lesser(
    library: FakeSounddevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    library.host_apis = ["MME", "Windows DirectSound", "Windows WASAPI"]
    library.devices = [device("Line", api) for api in range(3)] + [device("Speakers [Loopback]", 2)]
    entries = list(survey().sources)
    assert [entry.lesser for entry in entries] == [True, True, False, False]
    assert [entry.loopback for entry in entries] == [False, False, False, True]
    assert "prefer the same input under Windows WASAPI" in entries[0].hint


def test_a_desk_with_more_channels_than_we_show_says_so(
    library: FakeSounddevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "platform", "darwin")
    library.host_apis = ["Core Audio"]
    library.devices = [device("Big desk", inputs=64)]
    assert survey().sources[0].hint == "Has 64 channels; choose up to 32 of them."


def read(text: bytes) -> Listing:
    sources, missing = read_sources(text, SourceEntry)
    return Listing(tuple(sources), tuple(missing))


def test_json_there_and_back_is_the_same() -> None:
    listing = Listing(
        (SourceEntry("monitor", "ä", "Überall", "PulseAudio", 2, 48_000, "", True, False, ("L", "R")),), ("nothing",)
    )
    assert read(encode(listing).encode()) == listing


def test_a_fake_list_takes_the_place_of_the_machines_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "list.json"
    path.write_text(json.dumps({"sources": [{"kind": "device", "name": "Blue box", "newer_field": 1}]}))
    monkeypatch.setenv(FAKE_LIST_VARIABLE, str(path))
    assert list(survey().sources) == [SourceEntry("device", "Blue box")]
    path.write_text("no list")
    listing = survey()
    assert listing.sources == ()
    assert str(path) in listing.missing[0]


def test_the_short_lived_process_prints_one_object(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "list.json"
    path.write_text(json.dumps({"sources": [{"kind": "device", "name": "Blaues Gerät"}], "missing": ["this"]}))
    monkeypatch.setenv(FAKE_LIST_VARIABLE, str(path))
    answer = subprocess.run(
        [sys.executable, "-m", "meter.audio.listing"], capture_output=True, timeout=60, check=True
    )
    assert read(answer.stdout) == survey()
    assert answer.stderr == b""
