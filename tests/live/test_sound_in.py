"""Our sources against a real sound server: what is captured, in which order, and what is said when it goes away."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager

import numpy as np
import psutil
import pytest

from meter.audio import portaudio
from meter.audio.device import DeviceSource
from meter.audio.listing import survey
from meter.audio.monitor import DEFAULT_MONITOR, MonitorSource
from meter.audio.open import make_source
from meter.audio.output import SINK, list_outputs
from meter.audio.ring_buffer import Consumer, make_ring
from meter.audio.source import Source, SourceError, SourceInfo, SourceRequest
from meter.engine.process import EngineOrder
from meter.engine.supervisor import Supervisor
from tests.live.conftest import CINEMA, DESK, FRONT, OLD_RATE, SIDE, started
from tests.live.server import Sink, SoundServer, counter, judge_counter, tones
from tests.live.test_engine import heard as heard_by

pytestmark = pytest.mark.live

RING_SECONDS = 2


@contextmanager
def listening(source: Source) -> Iterator[tuple[SourceInfo, Consumer]]:
    info = source.open()
    producer, consumer = make_ring(RING_SECONDS * info.rate_hz, info.channels)
    try:
        source.start(producer)
        yield info, consumer
    finally:
        source.stop()


def monitor(sink: Sink, **options: object) -> MonitorSource:
    return MonitorSource(SourceRequest("monitor", sink.monitor, options))


def hear(consumer: Consumer, frames: int, limit_seconds: float = 10.0) -> np.ndarray:
    """``frames`` frames from the first that is not silent; no gap may lie in them."""
    blocks: list[np.ndarray] = []
    total = 0
    deadline = time.monotonic() + limit_seconds
    while total < frames:
        assert time.monotonic() < deadline, f"only {total} of {frames} frames came"
        assert consumer.gap() == 0
        block = consumer.read(4096)
        if not total:
            sounding = np.flatnonzero(np.any(block, axis=1))
            block = block[sounding[0] :] if len(sounding) else block[:0]
        if len(block):
            blocks.append(block)
            total += len(block)
        else:
            time.sleep(0.005)
    assert consumer.lost == 0
    return np.concatenate(blocks)[:frames]


def strongest_hz(samples: np.ndarray, rate_hz: int) -> float:
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    return float(np.argmax(spectrum) * rate_hz / len(samples))


def wait_until(happened: Callable[[], bool], seconds: float) -> float:
    """How long it took; fails after ``seconds``."""
    began = time.monotonic()
    while not happened():
        assert time.monotonic() - began < seconds, "it did not happen in time"
        time.sleep(0.01)
    return time.monotonic() - began


def test_every_sink_is_listed_as_what_is_playing_on_it(server: SoundServer) -> None:
    entries = {entry.name: entry for entry in list(survey().sources) if entry.kind == "monitor"}
    assert set(entries) == {DEFAULT_MONITOR} | {sink.monitor for sink in server.sinks.values()}
    for sink in server.sinks.values():
        entry = entries[sink.monitor]
        assert (entry.channels, entry.rate_hz, entry.loopback) == (sink.channels, sink.rate_hz, True)
    assert entries[FRONT.monitor].label == "Front Room"
    assert entries[CINEMA.monitor].positions == ("L", "R", "C", "LFE", "Ls", "Rs")
    assert entries[DEFAULT_MONITOR].label == "the default output"


@pytest.mark.usefixtures("server")
def test_the_list_is_the_same_from_a_short_lived_process() -> None:
    answer = subprocess.run(
        [sys.executable, "-m", "meter.audio.listing"], capture_output=True, text=True, timeout=30, check=True
    )
    names = {entry["name"] for entry in json.loads(answer.stdout)["sources"] if entry["kind"] == "monitor"}
    assert names == {entry.name for entry in list(survey().sources) if entry.kind == "monitor"}


@pytest.mark.parametrize("sink", [FRONT, OLD_RATE, DESK], ids=lambda sink: sink.name)
def test_a_monitor_is_captured_without_one_wrong_sample(server: SoundServer, sink: Sink) -> None:
    feeder = server.play(sink, counter(6 * sink.rate_hz, sink.channels))
    with listening(monitor(sink, channels=list(range(1, sink.channels + 1)))) as (info, consumer):
        assert (info.rate_hz, info.channels, info.resampled) == (sink.rate_hz, sink.channels, False)
        heard = hear(consumer, 3 * sink.rate_hz)
    feeder.stop()
    for column in range(sink.channels):
        report = judge_counter(heard[:, column])
        assert (report.frames, report.jumps) == (len(heard), 0)


def test_two_sinks_at_once_are_not_mixed_up(server: SoundServer) -> None:
    wanted = {FRONT: (440.0, 550.0), SIDE: (1320.0, 1430.0)}
    with ExitStack() as stack:
        consumers = {}
        for sink, pitches in wanted.items():
            server.play(sink, tones(6, sink.rate_hz, pitches))
            consumers[sink] = stack.enter_context(listening(monitor(sink)))[1]
        for sink, pitches in wanted.items():
            heard = hear(consumers[sink], sink.rate_hz)
            for column, pitch in enumerate(pitches):
                assert strongest_hz(heard[:, column], sink.rate_hz) == pytest.approx(pitch, abs=1.0)


@pytest.mark.parametrize("sink", [DESK, CINEMA], ids=lambda sink: sink.name)
def test_each_channel_of_many_carries_its_own_tone_under_its_own_name(server: SoundServer, sink: Sink) -> None:
    pitches = [400.0 + 250.0 * number for number in range(sink.channels)]
    feeder = server.play(sink, tones(4, sink.rate_hz, pitches))
    with listening(monitor(sink, channels=list(range(1, sink.channels + 1)))) as (info, consumer):
        heard = hear(consumer, sink.rate_hz)
    feeder.stop()
    names = sink.positions if sink is DESK else ("L", "R", "C", "LFE", "Ls", "Rs")
    assert info.channel_names == names
    for column, pitch in enumerate(pitches):
        assert strongest_hz(heard[:, column], sink.rate_hz) == pytest.approx(pitch, abs=1.0)
        assert np.abs(heard[:, column]).max() == pytest.approx(0.25, abs=0.005)


@pytest.mark.parametrize(("sink", "taken"), [(FRONT, 2), (CINEMA, 6), (DESK, 2)], ids=lambda value: str(value)[:20])
def test_unasked_a_layout_of_loudspeakers_is_taken_whole_and_numbered_channels_two(
    server: SoundServer, sink: Sink, taken: int
) -> None:
    """Sixteen numbered channels of an interface are not one mix."""
    info = monitor(sink).open()
    assert (info.channels, info.device_channels) == (taken, sink.channels)


def test_chosen_channels_come_in_the_order_asked_for(server: SoundServer) -> None:
    pitches = [400.0 + 250.0 * number for number in range(16)]
    feeder = server.play(DESK, tones(4, DESK.rate_hz, pitches))
    with listening(monitor(DESK, channels=[12, 3])) as (info, consumer):
        heard = hear(consumer, DESK.rate_hz)
    feeder.stop()
    assert info.channel_names == ("aux11", "aux2")
    assert strongest_hz(heard[:, 0], DESK.rate_hz) == pytest.approx(pitches[11], abs=1.0)
    assert strongest_hz(heard[:, 1], DESK.rate_hz) == pytest.approx(pitches[2], abs=1.0)


def test_a_volume_of_the_server_is_told_and_told_again_when_it_goes(fresh_server: SoundServer) -> None:
    fresh_server.pactl("set-sink-volume", FRONT.name, "50%")
    source = monitor(FRONT)
    with listening(source):
        assert "is at -18.1 dB" in source.note
        fresh_server.pactl("set-sink-volume", FRONT.name, "100%")
        wait_until(lambda: source.note == "", 2)
        fresh_server.pactl("set-source-mute", FRONT.monitor, "1")
        wait_until(lambda: "is muted" in source.note, 2)
        assert not source.ended()
    hints = {entry.name: entry.hint for entry in list(survey().sources)}
    assert "is muted" in hints[FRONT.monitor]


def test_a_removed_sink_is_told_within_two_seconds(fresh_server: SoundServer) -> None:
    fresh_server.play(FRONT, counter(20 * FRONT.rate_hz, 2))
    source = monitor(FRONT)
    with listening(source) as (_, consumer):
        hear(consumer, 4800)
        fresh_server.remove(FRONT)
        wait_until(source.ended, 2)
        assert source.fault().startswith("The source changed: ")
        assert "was removed" in source.fault()
        source.stop()
        with pytest.raises(SourceError, match=r"'front\.monitor' is not there"):
            source.open()
        fresh_server.add(FRONT)
        assert source.open().rate_hz == FRONT.rate_hz
        assert source.fault() == ""


def test_a_killed_server_is_told_and_a_new_one_is_found(fresh_server: SoundServer) -> None:
    source = monitor(SIDE)
    with listening(source):
        fresh_server.kill()
        wait_until(source.ended, 3)
        assert "sound server" in source.fault()
    with pytest.raises(SourceError, match="No sound server answers"):
        source.open()
    assert any("No sound server answers" in sentence for sentence in survey().missing)
    fresh_server.start()
    fresh_server.add(SIDE)
    fresh_server.play(SIDE, counter(4 * SIDE.rate_hz, 2))
    with listening(source) as (_, consumer):
        assert judge_counter(hear(consumer, SIDE.rate_hz)[:, 0]).jumps == 0


def test_following_the_default_output_goes_where_it_goes(fresh_server: SoundServer) -> None:
    fresh_server.pactl("set-default-sink", FRONT.name)
    source = make_source(SourceRequest("monitor", DEFAULT_MONITOR))
    with listening(source) as (info, _):
        assert info.name == "Front Room"
        fresh_server.pactl("set-default-sink", SIDE.name)
        wait_until(source.ended, 2)
        assert "default output changed" in source.fault()
        assert source.open().name == "Side Room"


def test_a_capture_moved_by_a_mixer_program_is_told(fresh_server: SoundServer) -> None:
    source = monitor(FRONT)
    with listening(source):
        wait_until(lambda: bool(fresh_server.pactl("list", "short", "source-outputs")), 2)
        index = fresh_server.pactl("list", "short", "source-outputs").split()[0]
        fresh_server.pactl("move-source-output", index, SIDE.monitor)
        wait_until(source.ended, 2)
        assert "was moved to another source" in source.fault()


def test_a_source_gone_between_listing_and_opening_is_one_sentence(fresh_server: SoundServer) -> None:
    entry = next(entry for entry in list(survey().sources) if entry.name == SIDE.monitor)
    source = make_source(SourceRequest(entry.kind, entry.name))
    fresh_server.remove(SIDE)
    with pytest.raises(SourceError, match=r"'side\.monitor' is not there; reconnect it or choose another\."):
        source.open()


def test_a_source_gone_between_opening_and_starting_is_told(fresh_server: SoundServer) -> None:
    source = monitor(SIDE)
    source.open()
    fresh_server.remove(SIDE)
    source.start(make_ring(1000, 2)[0])
    wait_until(lambda: source.ended() and bool(source.fault()), 2)
    source.stop()


def test_a_killed_listener_leaves_no_child_behind(fresh_server: SoundServer) -> None:
    script = (
        "import time; from meter.audio.open import make_source; from meter.audio.source import SourceRequest;"
        "from meter.audio.ring_buffer import make_ring;"
        "source = make_source(SourceRequest('monitor', 'front.monitor'));"
        "info = source.open(); source.start(make_ring(info.rate_hz, 2)[0]); print('on', flush=True); time.sleep(60)"
    )
    fresh_server.play(FRONT, counter(20 * FRONT.rate_hz, 2))
    listener = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE)
    assert listener.stdout is not None
    with listener.stdout:
        assert listener.stdout.readline() == b"on\n"
        children = psutil.Process(listener.pid).children()
        assert len(children) >= 2
        listener.kill()
        listener.wait()
    wait_until(lambda: not any(child.is_running() and child.status() != "zombie" for child in children), 5)


ROOM = Sink("room", description="Haut-parleurs côté fenêtre")
EARS = Sink("ears", description="Kopfhörer ü")
TWINS = (Sink("twin_a", description="Twin Out"), Sink("twin_b", description="Twin Out"))


@pytest.fixture
def lettered_server() -> Iterator[SoundServer]:
    """Outputs whose names are not ASCII, and two of one description."""
    yield from started(ROOM, EARS, *TWINS)


@pytest.mark.usefixtures("lettered_server")
def test_descriptions_keep_their_letters_and_equal_ones_are_told_apart() -> None:
    labels = {entry.name: entry.label for entry in list(survey().sources) if entry.kind == "monitor"}
    assert labels[ROOM.monitor] == "Haut-parleurs côté fenêtre"
    assert labels[EARS.monitor] == "Kopfhörer ü"
    assert labels[TWINS[0].monitor] == "Twin Out (twin_a.monitor)"
    assert labels[TWINS[1].monitor] == "Twin Out (twin_b.monitor)"
    played = {output.name: output.label for output in list_outputs()[0] if output.kind == SINK}
    assert played[EARS.name] == "Kopfhörer ü"
    assert played[TWINS[1].name] == "Twin Out (twin_b)"


def test_every_output_is_opened_under_the_servers_own_name(lettered_server: SoundServer) -> None:
    infos = [monitor(sink).open() for sink in (ROOM, EARS, *TWINS)]
    assert [info.output for info in infos] == [sink.monitor for sink in (ROOM, EARS, *TWINS)]
    assert len({info.name for info in infos}) == len(infos)


@pytest.mark.parametrize(("first", "second"), [(ROOM, EARS), TWINS], ids=["not ASCII", "of one description"])
def test_a_calibration_of_the_loudspeakers_ends_when_the_default_output_becomes_another(
    lettered_server: SoundServer, first: Sink, second: Sink
) -> None:
    lettered_server.pactl("set-default-sink", first.name)
    bound = {"calibrated": True, "offset_db": 100.0, "calibrated_for": f"monitor:{first.monitor}"}
    order = EngineOrder(SourceRequest("monitor", DEFAULT_MONITOR), settings={"listening": bound})
    supervisor = Supervisor(order)
    try:
        before = heard_by(supervisor, lambda frame: frame.number("listening.calibrated") == 1.0)
        assert before.status.output == first.monitor
        lettered_server.pactl("set-default-sink", second.name)
        after = heard_by(supervisor, lambda frame: frame.status.output == second.monitor)
        after = heard_by(supervisor, lambda frame: frame.number("listening.calibrated") == 0.0)
    finally:
        supervisor.close()
    assert after.status.output_changes == 1
    assert f"to '{monitor(second).open().name}'; figures since R hold both" in after.status.sentence


@pytest.fixture
def portaudio_here(fresh_server: SoundServer) -> Iterator[SoundServer]:
    """PortAudio with this server's ALSA device in its list, which it makes when it starts."""
    fresh_server.pactl("set-default-source", FRONT.monitor)
    portaudio.rescan()
    if not any(device.name == "pulse" for device in portaudio.input_devices()):
        message = "ALSA's pulse device is missing: apt install libasound2-plugins"
        if os.environ.get("CI") or os.environ.get("EARWITNESS_REQUIRE_LIVE"):
            pytest.fail(message)
        pytest.skip(message)
    yield fresh_server
    portaudio.rescan()


def pulse_device(**options: object) -> DeviceSource:
    return DeviceSource(SourceRequest("device", "pulse", {"host_api": "ALSA", "rate_hz": 48_000, **options}))


def test_a_portaudio_stream_is_captured_without_one_wrong_sample(portaudio_here: SoundServer) -> None:
    portaudio_here.play(FRONT, counter(8 * FRONT.rate_hz, 2))
    source = pulse_device()
    with listening(source) as (info, consumer):
        assert (info.rate_hz, info.channels) == (48_000, 2)
        assert info.resampled  # ALSA's plug-in may convert, and does not tell
        assert 0.02 <= info.latency_seconds <= 0.5
        heard = hear(consumer, 3 * FRONT.rate_hz)
        counters = source.statistics()
    for column in range(2):
        assert judge_counter(heard[:, column]).jumps == 0
    assert counters["callbacks"] > 10
    assert counters["frames"] >= len(heard)
    assert counters["overflows"] == 0
    assert 0 < counters["last_callback_ns"] <= time.monotonic_ns()


def test_a_portaudio_stream_picks_columns_that_lie_apart(portaudio_here: SoundServer) -> None:
    portaudio_here.play(FRONT, tones(6, FRONT.rate_hz, (440.0, 1330.0)))
    with listening(pulse_device(channels=[2, 1])) as (info, consumer):
        heard = hear(consumer, FRONT.rate_hz)
    assert info.channel_names == ("In 2", "In 1")
    assert strongest_hz(heard[:, 0], FRONT.rate_hz) == pytest.approx(1330.0, abs=1.0)
    assert strongest_hz(heard[:, 1], FRONT.rate_hz) == pytest.approx(440.0, abs=1.0)


def test_a_portaudio_stream_whose_server_dies_says_so_and_closes(portaudio_here: SoundServer) -> None:
    portaudio_here.play(FRONT, counter(20 * FRONT.rate_hz, 2))
    source = pulse_device()
    with listening(source) as (_, consumer):
        hear(consumer, 4800)
        portaudio_here.kill()
        wait_until(source.ended, 3)
        assert "stopped delivering" in source.fault()
        began = time.monotonic()
        source.stop()
        assert time.monotonic() - began < 2
    with pytest.raises(SourceError):
        source.open()
    portaudio_here.start()
    portaudio_here.add(FRONT)
    assert source.open().rate_hz == 48_000
    source.stop()
