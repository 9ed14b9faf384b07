"""A source starts while the meters are prepared; a file loses nothing, and a device keeps no long backlog."""

from __future__ import annotations

import numpy as np
import pytest

from meter.audio.ring_buffer import Producer, make_ring
from meter.audio.source import SourceInfo
from meter.engine.start_source import BACKLOG_SECONDS, RING_SECONDS, start_source

RATE_HZ = 48_000


def block(seconds: float, value: float = 0.0) -> np.ndarray:
    return np.full((round(seconds * RATE_HZ), 2), value, dtype=np.float32)


class Told:
    """A source that notes the order of what happens and writes ``seconds`` of sound when it starts."""

    def __init__(self, seconds: float) -> None:
        self.order: list[str] = []
        self._seconds = seconds
        self.producer: Producer | None = None

    def start(self, producer: Producer) -> None:
        self.order.append("start")
        self.producer = producer
        for number in range(round(self._seconds * 10)):
            producer.write(block(0.1, float(number)))

    def prepare(self) -> None:
        self.order.append("prepare")


def started(kind: str, seconds: float):
    source = Told(seconds)
    info = SourceInfo(name="it", kind=kind, rate_hz=RATE_HZ, channels=2, latency_seconds=0.02)
    return source, start_source(source, info, source.prepare)


@pytest.mark.parametrize("kind", ["device", "monitor"])
def test_a_device_starts_first_and_its_newest_second_is_measured(kind: str) -> None:
    source, consumer = started(kind, 2.5)
    assert source.order == ["start", "prepare"]
    assert consumer.available == BACKLOG_SECONDS * RATE_HZ
    assert consumer.read(1)[0, 0] == 15.0, "1.5 s after its start"


@pytest.mark.parametrize("kind", ["file", "demo", "script"])
def test_what_waits_for_its_reader_begins_at_its_beginning(kind: str) -> None:
    source, consumer = started(kind, 2.5)
    assert source.order == ["prepare", "start"]
    assert consumer.available == 2.5 * RATE_HZ
    assert consumer.read(1)[0, 0] == 0.0


def test_what_did_not_fit_while_the_meters_were_loaded_is_a_gap() -> None:
    source, consumer = started("device", RING_SECONDS + 1.0)
    assert consumer.available == BACKLOG_SECONDS * RATE_HZ
    assert source.producer is not None
    source.producer.write(block(0.1))
    consumer.read(round(BACKLOG_SECONDS * RATE_HZ))
    assert consumer.gap() == RATE_HZ, "the refused second lies after what was kept"


def test_gaps_among_what_is_dropped_go_with_it() -> None:
    producer, consumer = make_ring(1000, 1)
    producer.write(np.zeros((100, 1), dtype=np.float32))
    producer.lose(50)
    producer.write(np.ones((200, 1), dtype=np.float32))
    consumer.drop_to(150)
    assert (consumer.gap(), consumer.available) == (0, 150)
    assert consumer.read(150)[0, 0] == 1.0
    consumer.drop_to(10)
    assert consumer.available == 0
