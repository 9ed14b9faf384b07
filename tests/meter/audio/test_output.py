"""Outputs: what is offered, what is opened, and what is said when one is refused, stalls or is moved."""

from __future__ import annotations

import sys
from typing import Any

import numpy as np
import pytest

from meter.audio import output, portaudio, pulse
from meter.audio.output import DEVICE, SINK, LoopPlayer, Output, list_outputs
from meter.audio.pulse import PulseServer, PulseSink
from meter.audio.ramp import RampedLoop
from meter.audio.source import SourceError
from tests.support.fake_sounddevice import FakeSounddevice, PortAudioError, device

SERVER = PulseServer(
    (), (PulseSink("front", "Front Room", 0.0, True), PulseSink("side", "Side Room", 0.0, True)), "front"
)


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> FakeSounddevice:
    made = FakeSounddevice(
        devices=[device("Interface", outputs=4), device("Microphone", inputs=1), device("pulse", outputs=32)]
    )
    monkeypatch.setitem(sys.modules, "sounddevice", made)
    monkeypatch.setattr(output.sys, "platform", "linux")
    monkeypatch.setattr(pulse, "query_server", lambda: SERVER)
    monkeypatch.setenv(output.SINK_VARIABLE, "")
    return made


def no_server() -> PulseServer:
    raise SourceError("No sound server answers (refused): start it.")


def ramp() -> RampedLoop:
    wave = 0.1 * np.sin(np.arange(4800) / 4800 * 2 * np.pi * 100).astype(np.float32)
    return RampedLoop(np.stack([wave, 0 * wave], axis=1), 48_000)


def test_outputs_of_the_server_come_first_and_its_own_way_is_left_out(fake: FakeSounddevice) -> None:
    outputs, missing = list_outputs()
    assert [(item.kind, item.name, item.label) for item in outputs] == [
        (SINK, "front", "Front Room"), (SINK, "side", "Side Room"), (DEVICE, "Interface", "Interface"),
    ]  # fmt: skip
    assert missing == []


def test_without_a_server_portaudio_is_what_there_is(fake: FakeSounddevice, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pulse, "query_server", no_server)
    outputs, missing = list_outputs()
    assert [item.name for item in outputs] == ["Interface", "pulse"]
    assert missing == ["No sound server answers (refused): start it."]


def test_without_anything_there_are_sentences(fake: FakeSounddevice, monkeypatch: pytest.MonkeyPatch) -> None:
    def nothing() -> Any:
        raise SourceError("PortAudio is not installed: install it.")

    monkeypatch.setattr(pulse, "query_server", no_server)
    monkeypatch.setattr(portaudio, "output_devices", nothing)
    outputs, missing = list_outputs()
    assert outputs == []
    assert len(missing) == 2


def opened(fake: FakeSounddevice, chosen: Output) -> LoopPlayer:
    player = LoopPlayer(chosen, ramp())
    player.open(48_000)
    return player


def test_opening_plays_nothing(fake: FakeSounddevice) -> None:
    opened(fake, Output(SINK, "side", "Side Room"))
    (stream,) = fake.streams
    assert not stream.started
    assert output.os.environ[output.SINK_VARIABLE] == "side"
    told = {key: stream.arguments[key] for key in ("device", "channels", "dtype", "samplerate", "dither_off")}
    assert told == {"device": 2, "channels": 2, "dtype": "float32", "samplerate": 48_000, "dither_off": True}


def test_a_device_is_found_by_name_and_host_api(fake: FakeSounddevice) -> None:
    opened(fake, Output(DEVICE, "Interface", "Interface", "ALSA"))
    assert fake.streams[0].arguments["device"] == 0
    assert output.os.environ[output.SINK_VARIABLE] == ""


@pytest.mark.parametrize(
    ("chosen", "words"),
    [
        (Output(DEVICE, "Gone", "Gone", "ALSA"), "'Gone' is not there"),
        (Output(DEVICE, "Microphone", "Microphone", "ALSA"), "is not there"),
        (Output(DEVICE, "Interface", "Interface", "Other"), "is not there"),
    ],
)
def test_an_output_that_is_not_there_is_one_sentence(fake: FakeSounddevice, chosen: Output, words: str) -> None:
    with pytest.raises(SourceError, match=words):
        opened(fake, chosen)


def test_a_missing_way_to_the_server_names_the_package(fake: FakeSounddevice) -> None:
    fake.devices.pop()
    with pytest.raises(SourceError, match="libasound2-plugins"):
        opened(fake, Output(SINK, "side"))


def test_a_refused_output_is_one_sentence(fake: FakeSounddevice) -> None:
    def refuse(_arguments: dict[str, Any]) -> None:
        raise PortAudioError("Device unavailable", -9985)

    fake.refuse = refuse
    with pytest.raises(SourceError, match=r"'Side Room' cannot be opened \(Device unavailable\)"):
        opened(fake, Output(SINK, "side", "Side Room"))


def test_the_callback_plays_the_ramp_and_silence_after_a_failure(
    fake: FakeSounddevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    player = opened(fake, Output(SINK, "side", "Side Room"))
    player.start()
    block = np.full((4800, 2), 9.0, dtype=np.float32)
    fake.streams[0].deliver(block)
    assert 0.0 < np.abs(block).max() < 0.01
    assert player.fault() == ""

    def fail(_out: np.ndarray) -> None:
        raise RuntimeError("no idea")

    monkeypatch.setattr(player._loop, "fill", fail)
    block[:] = 9.0
    fake.streams[0].deliver(block)
    assert not block.any()
    assert "no idea" in player.fault()


def test_an_output_that_ends_or_stalls_is_told(fake: FakeSounddevice, monkeypatch: pytest.MonkeyPatch) -> None:
    player = opened(fake, Output(SINK, "side", "Side Room"))
    player.start()
    now = output.time.monotonic()
    monkeypatch.setattr(output.time, "monotonic", lambda: now + 3.0)
    assert "'Side Room' stopped taking sound" in player.fault()
    monkeypatch.undo()
    player._finished = True
    assert "stopped taking sound" in player.fault()
    player.close()
    player.close()
    assert fake.streams[0].closed


@pytest.mark.parametrize(("plays_to", "words"), [("side", ""), ("", ""), ("front", "moved the noise to 'front'")])
def test_a_stream_that_was_moved_is_told(
    fake: FakeSounddevice, monkeypatch: pytest.MonkeyPatch, plays_to: str, words: str
) -> None:
    monkeypatch.setattr(pulse, "sink_of_process", lambda _pid: plays_to)
    player = opened(fake, Output(SINK, "side", "Side Room"))
    assert words in player.moved()
    assert bool(player.moved()) == bool(words)
    assert opened(fake, Output(DEVICE, "Interface", "", "ALSA")).moved() == ""


def test_a_server_that_stops_answering_stops_the_noise(
    fake: FakeSounddevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pulse, "sink_of_process", lambda _pid: no_server())
    assert "does not answer" in opened(fake, Output(SINK, "side")).moved()


def test_which_sink_a_process_plays_to(monkeypatch: pytest.MonkeyPatch) -> None:
    records = {
        "sink-input": [
            {"index": 3, "sink": 1, "properties": {"application.process.id": "77"}},
            {"index": 4, "sink": 2, "properties": {"application.process.id": "42"}},
        ],
        "sink": [{"index": 1, "name": "front"}, {"index": 2, "name": "side"}],
    }
    monkeypatch.setattr(pulse, "_records", lambda kind: records[kind])
    assert pulse.sink_of_process(42) == "side"
    assert pulse.sink_of_process(1) == ""
