"""A PortAudio input by hand: how it is opened, what the callback does, and what is said when it fails."""

from __future__ import annotations

import builtins
import os
import sys
from typing import Any

import numpy as np
import pytest

from meter.audio import portaudio
from meter.audio.device import DeviceSource
from meter.audio.ring_buffer import Consumer, make_ring
from meter.audio.source import SourceError, SourceRequest
from tests.support.fake_sounddevice import FakeSounddevice, FakeStream, PortAudioError, device


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> FakeSounddevice:
    fake = FakeSounddevice([device("Blue box", inputs=8), device("Red box", inputs=1, rate_hz=96_000.0)])
    monkeypatch.setitem(sys.modules, "sounddevice", fake)
    monkeypatch.setattr(portaudio, "_held", 0)
    return fake


def request(name: str = "Blue box", **options: Any) -> SourceRequest:
    return SourceRequest("device", name, options)


def running(
    library: FakeSounddevice, wanted: SourceRequest, frames: int = 1000
) -> tuple[DeviceSource, Any, Consumer]:
    source = DeviceSource(wanted)
    info = source.open()
    producer, consumer = make_ring(frames, info.channels)
    source.start(producer)
    return source, library.streams[-1], consumer


def ramp(frames: int, channels: int) -> np.ndarray:
    return np.arange(frames * channels, dtype=np.float32).reshape(frames, channels)


def test_it_opens_the_devices_own_format_and_never_low_latency(library: FakeSounddevice) -> None:
    info = DeviceSource(request()).open()
    told = library.streams[0].arguments
    assert (told["samplerate"], told["channels"], told["dtype"], told["blocksize"]) == (48_000, 2, "float32", 0)
    assert told["latency"] == pytest.approx(4096 / 48_000)
    assert told["device"] == 0
    assert (info.rate_hz, info.channels, info.channel_names) == (48_000, 2, ("In 1", "In 2"))
    assert (info.live, info.resampled, info.idle_is_normal) == (True, False, False)


def test_an_empty_name_is_the_default_input_and_a_mono_device_gives_one_channel(library: FakeSounddevice) -> None:
    library.default_input = 1
    info = DeviceSource(request("")).open()
    assert (info.name, info.channels, info.rate_hz) == ("Red box", 1, 96_000)


def test_equal_names_are_told_apart_by_host_api(library: FakeSounddevice) -> None:
    library.host_apis = ["MME", "Windows WASAPI"]
    library.devices = [device("Line", 0), device("Line", 1, inputs=6)]
    info = DeviceSource(request("Line", host_api="Windows WASAPI", channels=[6])).open()
    assert library.streams[0].arguments["device"] == 1
    assert not info.resampled
    assert DeviceSource(request("Line", host_api="MME")).open().resampled


@pytest.mark.parametrize(("channels", "opened"), [([3, 4], 4), ([5], 5), ([4, 1], 4), ([8, 2, 5], 8)])
def test_it_opens_up_to_the_highest_channel_and_picks_columns(
    library: FakeSounddevice, channels: list[int], opened: int
) -> None:
    _, stream, consumer = running(library, request(channels=channels))
    assert stream.arguments["channels"] == opened
    block = ramp(100, opened)
    stream.deliver(block)
    np.testing.assert_array_equal(consumer.read(1000), block[:, [number - 1 for number in channels]])


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"channels": [9]}, "has 8 input channels, so channel 9 does not exist"),
        ({"channels": [0]}, "channel 0 does not exist"),
        ({"channels": []}, "Choose 1 to 32 different channels"),
        ({"channels": [2, 2]}, "Choose 1 to 32 different channels"),
        ({"channels": "both"}, "are given as numbers from 1"),
        ({"channels": [True]}, "are given as numbers from 1"),
        ({"latency_seconds": 0.001}, "set it between 20 and 500 ms"),
        ({"latency_seconds": 1.0}, "set it between 20 and 500 ms"),
        ({"latency_seconds": float("nan")}, "must be a number"),
        ({"latency_seconds": "fast"}, "must be a number, not 'fast'"),
        ({"rate_hz": 999}, "999 Hz; 1,000 to 768,000 Hz"),
        ({"rate_hz": float("inf")}, "must be a number"),
        ({"rate_hz": True}, "must be a number"),
    ],
)
def test_options_from_broken_settings_are_one_sentence(
    library: FakeSounddevice, options: dict[str, Any], words: str
) -> None:
    with pytest.raises(SourceError, match=words):
        DeviceSource(request(**options)).open()
    assert library.streams == []


@pytest.mark.parametrize("latency", [0.02, 0.5])
def test_the_ends_of_the_latency_range_are_allowed(library: FakeSounddevice, latency: float) -> None:
    assert DeviceSource(request(latency_seconds=latency)).open().latency_seconds == latency


def test_the_callback_counts_stamps_and_marks_overflows(library: FakeSounddevice) -> None:
    source, stream, consumer = running(library, request())
    stream.deliver(ramp(10, 2))
    first = source.statistics()
    stream.deliver(ramp(20, 2), overflow=True)
    counters = source.statistics()
    assert (counters["callbacks"], counters["frames"], counters["overflows"]) == (2, 30, 1)
    assert 0 < first["last_callback_ns"] <= counters["last_callback_ns"]
    assert counters["largest_gap_ns"] == counters["last_callback_ns"] - first["last_callback_ns"]
    assert consumer.gap() == 0
    assert len(consumer.read(1000)) == 10
    assert consumer.gap() == 1  # of unknown length, so one frame marks the place
    assert len(consumer.read(1000)) == 20


def test_a_full_ring_refuses_and_the_callback_goes_on(library: FakeSounddevice) -> None:
    source, stream, consumer = running(library, request(), frames=15)
    for _ in range(3):
        stream.deliver(ramp(10, 2))
    assert source.statistics()["frames"] == 30
    assert consumer.lost == 20
    assert not source.ended()


def test_a_block_beyond_all_measure_is_lost_and_counted(library: FakeSounddevice) -> None:
    _, stream, consumer = running(library, request(channels=[2, 1]))
    stream.deliver(np.zeros((70_000, 2), dtype=np.float32))
    assert consumer.lost == 70_000


def test_an_error_inside_the_callback_is_kept_and_told(library: FakeSounddevice) -> None:
    source, stream, _ = running(library, request())
    stream.deliver(np.zeros((10, 3), dtype=np.float32)[:, 0])  # not what was agreed
    assert source.ended()
    assert "failed inside Earwitness" in source.fault()
    assert "select it again" in source.fault()


def test_a_stream_that_finishes_by_itself_is_a_fault_and_opens_again(library: FakeSounddevice) -> None:
    source, stream, _ = running(library, request())
    assert (source.ended(), source.fault()) == (False, "")
    stream.finish()
    assert source.ended()
    assert source.fault() == "'Blue box' stopped delivering sound; reconnect it or choose another source."
    source.open()
    assert (source.ended(), source.fault()) == (False, "")
    assert source.statistics()["callbacks"] == 0


def test_stop_aborts_closes_and_may_be_called_twice(library: FakeSounddevice) -> None:
    source, stream, _ = running(library, request())
    source.stop()
    source.stop()
    assert stream.aborted
    assert stream.closed
    assert source.fault() == ""


def test_a_refused_start_closes_and_names_the_mend(library: FakeSounddevice, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_: FakeStream) -> None:
        raise PortAudioError("Unanticipated host error", -9999)

    monkeypatch.setattr(FakeStream, "start", refuse)
    source = DeviceSource(request())
    source.open()
    with pytest.raises(SourceError, match=r"'Blue box' cannot be opened \(Unanticipated host error\); close the"):
        source.start(make_ring(10, 2)[0])
    assert library.streams[0].closed


def converting_host(library: FakeSounddevice, api: str, flag: str, value: bool) -> None:
    """``api`` refuses the stream unless its converter is allowed."""
    library.host_apis = [api]

    def refuse(arguments: dict[str, Any]) -> None:
        if arguments["extra_settings"].told[flag] is not value:
            raise PortAudioError("Invalid sample rate", -9997)

    library.refuse = refuse


@pytest.mark.parametrize(
    ("api", "flag", "value"),
    [("Core Audio", "fail_if_conversion_required", False), ("Windows WASAPI", "auto_convert", True)],
)
def test_a_converter_is_only_used_after_a_refusal_and_shown(
    library: FakeSounddevice, api: str, flag: str, value: bool
) -> None:
    library.host_apis = [api]
    assert not DeviceSource(request()).open().resampled
    assert library.streams[0].arguments["extra_settings"].told[flag] is not value
    converting_host(library, api, flag, value)
    info = DeviceSource(request(rate_hz=44_100)).open()
    assert (info.resampled, info.rate_hz) == (True, 44_100)


def test_core_audio_is_never_told_to_change_the_device(library: FakeSounddevice) -> None:
    library.host_apis = ["Core Audio"]
    DeviceSource(request()).open()
    assert library.streams[0].arguments["extra_settings"].told["change_device_parameters"] is False


def test_a_device_that_refuses_every_way_is_one_sentence(library: FakeSounddevice) -> None:
    def refuse(_: dict[str, Any]) -> None:
        raise PortAudioError("Device unavailable", -9985)

    library.refuse = refuse
    with pytest.raises(SourceError, match=r"'Blue box' cannot be opened at 48,000 Hz \(Device unavailable\); close"):
        DeviceSource(request()).open()


def test_alsas_plug_ins_count_as_converters(library: FakeSounddevice) -> None:
    library.devices = [device("pulse", inputs=32, rate_hz=44_100.0)]
    assert DeviceSource(request("pulse")).open().resampled


def test_a_loopback_device_may_be_idle(library: FakeSounddevice) -> None:
    library.devices = [device("Speakers [Loopback]")]
    assert DeviceSource(request("Speakers [Loopback]")).open().idle_is_normal


def test_a_device_that_came_back_is_found_after_a_new_look(library: FakeSounddevice) -> None:
    returned, library.devices = list(library.devices), [device("Red box")]
    library.devices_after_restart = returned
    assert DeviceSource(request("Blue box")).open().name == "Blue box"
    assert library.restarts == 1


def test_no_new_look_while_a_stream_is_open(library: FakeSounddevice) -> None:
    source, _, _ = running(library, request())
    with pytest.raises(SourceError, match="'Green box' is not there; reconnect it or choose another"):
        DeviceSource(request("Green box")).open()
    assert library.restarts == 0
    source.stop()
    with pytest.raises(SourceError, match=r"\('Blue box', 'Red box'\)"):
        DeviceSource(request("Green box")).open()
    assert library.restarts == 1


def test_no_input_at_all_is_one_sentence(library: FakeSounddevice) -> None:
    library.devices = [device("Speakers", inputs=0)]
    with pytest.raises(SourceError, match="finds no sound input; connect the interface"):
        DeviceSource(request("")).open()


def test_no_default_input_is_one_sentence(library: FakeSounddevice) -> None:
    library.default_input = -1
    with pytest.raises(SourceError, match="no default input; choose one"):
        DeviceSource(request("")).open()


@pytest.mark.parametrize(
    ("system", "fix"),
    [
        ("linux", "apt install libportaudio2"),
        ("darwin", "pip install"),
        ("win32", "pip install"),
        ("other", "install"),
    ],
)
def test_without_portaudio_one_sentence_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, system: str, fix: str
) -> None:
    ordinary = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name == "sounddevice":
            raise OSError("PortAudio library not found")
        return ordinary(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    monkeypatch.setattr(sys, "platform", system)
    with pytest.raises(SourceError, match="PortAudio is not installed: ") as caught:
        DeviceSource(request()).open()
    assert fix in str(caught.value)


def test_without_the_python_package_one_sentence_names_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(SourceError, match="sounddevice is not installed: run `pip install sounddevice`"):
        DeviceSource(request()).open()


def test_pipewire_is_asked_for_short_queues_only_while_opening(
    library: FakeSounddevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.delenv(portaudio.PIPEWIRE_LATENCY, raising=False)
    seen = []
    library.refuse = lambda _: seen.append(os.environ.get(portaudio.PIPEWIRE_LATENCY))
    DeviceSource(request()).open()
    monkeypatch.setenv(portaudio.PIPEWIRE_LATENCY, "64/48000")
    DeviceSource(request()).open()
    assert seen == ["1024/48000", "64/48000"]
    assert os.environ[portaudio.PIPEWIRE_LATENCY] == "64/48000"
