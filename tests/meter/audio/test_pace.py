"""The pacing thread: it waits for the clock and for the ring, and never runs after time it has missed."""

from __future__ import annotations

import threading
import time

import numpy as np

from meter.audio import pace
from meter.audio.pace import Block, Pacer
from meter.audio.ring_buffer import Consumer, make_ring

RATE_HZ = 48_000


def blocks_of(frames: int, count: int) -> list[Block]:
    return [np.full((frames, 1), number, dtype=np.float32) for number in range(count)]


def wait_for(pacer: Pacer, consumer: Consumer) -> int:
    """Read until the pacer is done; the frames that came."""
    frames = 0
    deadline = time.monotonic() + 10
    while not pacer.done() or consumer.available:
        assert time.monotonic() < deadline
        frames += len(consumer.read(10_000))
        time.sleep(0.001)
    return frames


def test_a_full_ring_makes_it_wait_and_nothing_is_lost() -> None:
    stock = blocks_of(100, 50)
    pacer = Pacer(lambda: stock.pop(0) if stock else None, RATE_HZ, fast=True)
    producer, consumer = make_ring(150, 1)
    pacer.start(producer)
    assert wait_for(pacer, consumer) == 5000
    assert consumer.lost == 0
    assert pacer.statistics()["callbacks"] == 50
    assert pacer.stop()


def test_stop_ends_it_while_it_waits_for_the_ring() -> None:
    pacer = Pacer(lambda: np.zeros((100, 1), dtype=np.float32), RATE_HZ, fast=True)
    producer, _ = make_ring(150, 1)
    pacer.start(producer)
    assert pacer.stop()
    assert pacer.done()
    assert pacer.stop()


def test_an_error_while_making_blocks_is_kept() -> None:
    def fail() -> Block | None:
        raise OSError("the drive went away")

    pacer = Pacer(fail, RATE_HZ)
    pacer.start(make_ring(10, 1)[0])
    assert pacer.stop()
    assert pacer.done()
    assert isinstance(pacer.error, OSError)


def test_a_maker_that_hangs_is_told_by_stop(monkeypatch) -> None:
    monkeypatch.setattr(pace, "JOIN_SECONDS", 0.02)
    free = threading.Event()

    def hang() -> Block | None:
        free.wait()
        return None

    pacer = Pacer(hang, RATE_HZ)
    pacer.start(make_ring(10, 1)[0])
    assert not pacer.stop()
    free.set()
    monkeypatch.setattr(pace, "JOIN_SECONDS", 5.0)
    assert pacer.stop()


def test_far_behind_the_clock_it_starts_anew_instead_of_rushing(monkeypatch) -> None:
    monkeypatch.setattr(pace, "LATE_SECONDS", 0.02)
    delays = iter([0.1, 0.0, 0.0])

    def slow() -> Block | None:
        delay = next(delays, None)
        if delay is None:
            return None
        time.sleep(delay)
        return np.zeros((480, 1), dtype=np.float32)

    pacer = Pacer(slow, RATE_HZ)
    producer, consumer = make_ring(RATE_HZ, 1)
    began = time.monotonic()
    pacer.start(producer)
    assert wait_for(pacer, consumer) == 3 * 480
    assert pacer.statistics()["clock_restarts"] >= 1
    assert time.monotonic() - began >= 0.12  # the two later blocks still took their 10 ms each
    pacer.stop()
