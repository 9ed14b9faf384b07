"""The scripted source: each event does what it says, on a clock that the test moves."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest

from meter.audio.open import make_source
from meter.audio.ring_buffer import Consumer, make_ring
from meter.audio.script import (
    Event,
    Gone,
    Lost,
    Rate,
    Samples,
    ScriptedSource,
    Stall,
    Tone,
    Value,
    event_from,
)
from meter.audio.source import SourceError, SourceRequest

RATE_HZ = 48_000


def started(*events: Event, **more: Any) -> tuple[ScriptedSource, Consumer]:
    source = ScriptedSource(events, **more)
    info = source.open()
    producer, consumer = make_ring(20 * info.rate_hz, info.channels)
    source.start(producer)
    return source, consumer


def test_time_moves_only_when_told_and_blocks_come_when_they_have_sounded() -> None:
    source, consumer = started(Tone(1.0))
    source.advance(0.0099)
    assert consumer.available == 0
    source.advance(0.0001)
    assert consumer.available == 480
    for _ in range(99):
        source.advance(0.01)
    assert consumer.available == RATE_HZ
    source.advance(0.001)
    assert source.ended()
    assert source.fault() == ""


def test_one_long_step_gives_what_many_short_ones_give() -> None:
    events = [Tone(0.5, 997.0), Lost(100), Value(0.123), Stall(0.2), Tone(0.5)]
    together, one = started(*events)
    together.advance(5.0)
    apart, two = started(*events)
    for _ in range(5000):
        apart.advance(0.001)
    for _ in range(2):
        assert one.gap() == two.gap()
        np.testing.assert_array_equal(one.read(RATE_HZ), two.read(RATE_HZ))
    assert together.statistics()["frames"] == apart.statistics()["frames"]


def test_a_tone_has_the_level_and_pitch_it_names() -> None:
    source, consumer = started(Tone(1.0, 1000.0, -20.0), channels=3)
    source.advance(1.0)
    heard = consumer.read(RATE_HZ)
    assert heard.shape == (RATE_HZ, 3)
    expected = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(RATE_HZ) / RATE_HZ)
    np.testing.assert_allclose(heard[:, 2], expected, atol=1e-6)


@pytest.mark.parametrize("value", [0.0, 1e38, -np.inf, np.nan])
def test_broken_values_come_through(value: float) -> None:
    source, consumer = started(Value(0.02, value))
    source.advance(0.02)
    np.testing.assert_array_equal(consumer.read(1000), np.full((960, 2), value, dtype=np.float32))


def test_samples_come_in_the_blocks_asked_for() -> None:
    samples = np.arange(2000, dtype=np.float32).reshape(1000, 2)
    source, consumer = started(Samples(samples, block_frames=300))
    source.advance(1.0)
    assert source.statistics()["callbacks"] == 4
    np.testing.assert_array_equal(consumer.read(5000), samples)


@pytest.mark.parametrize("flagged", [True, False])
def test_lost_frames_are_a_gap_only_if_the_device_tells(flagged: bool) -> None:
    source, consumer = started(Tone(0.1), Lost(4800, flagged), Tone(0.1))
    source.advance(0.2)
    assert consumer.available == 4800  # time went on while nothing came
    source.advance(0.1)
    assert len(consumer.read(RATE_HZ)) == (4800 if flagged else 9600)
    assert consumer.gap() == (4800 if flagged else 0)
    assert source.statistics()["overflows"] == flagged


def test_a_stall_delivers_nothing_then_everything_at_once() -> None:
    source, consumer = started(Tone(0.1), Stall(0.5), Tone(1.0))
    source.advance(0.55)
    stamp = source.statistics()["last_callback_ns"]
    assert consumer.available == 4800
    assert source.now_ns() - stamp == pytest.approx(0.45e9)
    source.advance(0.05)
    assert consumer.available == 0.6 * RATE_HZ
    assert consumer.lost == 0


def test_a_stall_that_keeps_nothing_loses_without_a_word() -> None:
    source, consumer = started(Stall(0.5, kept=False), Tone(1.0))
    source.advance(1.0)
    assert consumer.available == pytest.approx(RATE_HZ / 2, abs=480)
    assert consumer.lost == 0


def test_what_a_stall_holds_at_the_end_of_the_script_still_comes() -> None:
    source, consumer = started(Stall(5.0), Tone(0.1))
    source.advance(6.0)
    assert consumer.available == 4800
    assert source.ended()


def test_a_lost_device_refuses_to_open_as_often_as_told_then_goes_on() -> None:
    source, consumer = started(Tone(0.1), Gone("It is gone.", refusals=2), Tone(0.2))
    source.advance(5.0)
    assert (source.ended(), source.fault(), consumer.available) == (True, "It is gone.", 4800)
    source.stop()
    for _ in range(2):
        with pytest.raises(SourceError, match=r"It is gone\."):
            source.open()
    source.open()
    assert (source.ended(), source.fault()) == (False, "")
    producer, consumer = make_ring(RATE_HZ, 2)
    source.start(producer)
    source.advance(0.2)
    assert consumer.available == 9600


def test_a_new_rate_ends_the_source_and_opens_at_that_rate() -> None:
    source, _ = started(Tone(0.1), Rate(44_100), Tone(0.1))
    source.advance(1.0)
    assert "now runs at 44,100 Hz" in source.fault()
    source.stop()
    assert source.open().rate_hz == 44_100
    producer, consumer = make_ring(RATE_HZ, 2)
    source.start(producer)
    source.advance(0.1)
    assert consumer.available == 4410


def test_time_that_passes_while_stopped_plays_nothing() -> None:
    source, _ = started(Tone(1.0))
    source.stop()
    source.stop()
    source.advance(10.0)
    producer, consumer = make_ring(RATE_HZ, 2)
    source.start(producer)
    source.advance(0.01)
    assert consumer.available == 480


def test_a_paced_script_runs_by_itself_from_plain_values() -> None:
    plain = {
        "events": [{"do": "tone", "seconds": 0.05}, {"do": "value", "seconds": 0.05, "value": 0.5}],
        "channels": 1,
        "paced": True,
    }
    source = make_source(SourceRequest("script", "two steps", plain))
    info = source.open()
    producer, consumer = make_ring(info.rate_hz, info.channels)
    source.start(producer)
    deadline = time.monotonic() + 10
    while not source.ended():
        assert time.monotonic() < deadline
        time.sleep(0.002)
    assert consumer.available == 4800
    source.stop()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"events": [{"do": "dance"}]}, "an event must be one of tone, value"),
        ({"events": [{"do": "tone"}]}, "seconds"),
        ({"events": [{"do": "tone", "seconds": 1, "loud": True}]}, "loud"),
        ({"events": [{"do": "samples", "samples": [1, 2]}]}, "samples must be rows"),
        ({"events": 3}, "not iterable"),
        ({"events": [], "rate_hz": 3}, "3 Hz; 1,000 to 768,000 Hz"),
    ],
)
def test_a_script_of_nonsense_is_one_sentence(options: dict[str, Any], words: str) -> None:
    with pytest.raises(SourceError, match=words):
        make_source(SourceRequest("script", "nonsense", options))


def test_events_from_plain_values_are_the_events() -> None:
    assert event_from({"do": "gone", "sentence": "Away.", "refusals": 1}) == Gone("Away.", 1)
    assert event_from({"do": "lost", "frames": 7, "flagged": False}) == Lost(7, False)
    samples = event_from({"do": "samples", "samples": [[1, 2], [3, 4]]})
    assert isinstance(samples, Samples)
    np.testing.assert_array_equal(samples.samples, [[1, 2], [3, 4]])
