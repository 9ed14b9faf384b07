"""The ring under two real threads, at capacity 1, over the wrap, with every kind of loss."""

from __future__ import annotations

import os
import sys
import threading
import time

import numpy as np
import pytest

from meter.audio.ring_buffer import GAP_SLOTS, Consumer, Producer, make_ring


def breathe() -> None:
    """Let the other thread run; shorter than ``time.sleep(0)`` where the system offers it."""
    if hasattr(os, "sched_yield"):
        os.sched_yield()
    else:
        time.sleep(0)


def counted(start: int, frames: int, channels: int = 1) -> np.ndarray:
    """Frames numbered from ``start``, the same number in every channel; exact in float32 below 2**24."""
    return np.repeat(np.arange(start, start + frames, dtype=np.float32)[:, np.newaxis], channels, axis=1)


def drain(consumer: Consumer, most: int = 1 << 20) -> list[np.ndarray | int]:
    """Everything in the ring: blocks as arrays, gaps as numbers, in order."""
    found: list[np.ndarray | int] = []
    while True:
        missing = consumer.gap()
        if missing:
            found.append(missing)
        block = consumer.read(most)
        if not len(block):
            return found
        found.append(block)


def test_what_goes_in_comes_out_in_order_over_many_wraps() -> None:
    producer, consumer = make_ring(7, 2)
    expected = 0
    for number in range(200):
        frames = number % 7 + 1
        assert producer.write(counted(number * 10, frames, 2))
        np.testing.assert_array_equal(consumer.read(100), counted(number * 10, frames, 2))
        expected += frames
    assert consumer.available == 0
    assert consumer.lost == 0


@pytest.mark.parametrize("most", [1, 3, 5])
def test_partial_reads_across_the_wrap_join_up(most: int) -> None:
    producer, consumer = make_ring(5, 1)
    out = []
    written = 0
    while written < 1000:
        frames = min(producer.space, 4)
        producer.write(counted(written, frames))
        written += frames
        out.append(consumer.read(most))
    while len(block := consumer.read(most)):
        out.append(block)
    np.testing.assert_array_equal(np.concatenate(out), counted(0, written))


def test_capacity_one_takes_one_frame_at_a_time() -> None:
    producer, consumer = make_ring(1, 1)
    for number in range(50):
        assert producer.write(counted(number, 1))
        assert producer.space == 0
        assert not producer.write(counted(999, 1))
        assert consumer.gap() == (1 if number else 0)  # the frame refused in the round before
        assert consumer.read(10)[0, 0] == number
    assert consumer.lost == 50


def test_a_refused_block_is_dropped_whole_counted_and_met_at_its_place() -> None:
    producer, consumer = make_ring(10, 1)
    assert producer.write(counted(0, 8))
    assert not producer.write(counted(8, 3))
    assert consumer.lost == 3
    np.testing.assert_array_equal(consumer.read(4), counted(0, 4))
    assert producer.write(counted(11, 3))
    assert consumer.gap() == 0
    found = drain(consumer)
    np.testing.assert_array_equal(found[0], counted(4, 4))
    assert found[1] == 3
    np.testing.assert_array_equal(found[2], counted(11, 3))
    assert len(found) == 3


def test_a_gap_is_met_at_its_very_frame_not_one_early() -> None:
    producer, consumer = make_ring(100, 1)
    producer.write(counted(0, 5))
    producer.lose(7)
    producer.write(counted(12, 3))
    for position in range(5):
        assert consumer.gap() == 0
        assert consumer.read(1)[0, 0] == position
    assert consumer.gap() == 7
    assert consumer.read(1)[0, 0] == 12


def test_losses_in_a_row_are_one_gap() -> None:
    producer, consumer = make_ring(4, 1)
    producer.lose(5)
    assert not producer.write(counted(0, 9))  # longer than the ring: can never fit
    producer.lose(2)
    assert consumer.gap() == 0  # nothing follows yet, so the gap has no place
    assert consumer.lost == 16
    producer.write(counted(0, 1))
    assert consumer.read(9).size == 0  # not past a gap that was not taken
    assert consumer.gap() == 16
    assert consumer.gap() == 0
    assert len(consumer.read(9)) == 1


def test_a_read_never_crosses_a_gap_even_at_the_wrap() -> None:
    producer, consumer = make_ring(6, 1)
    producer.write(counted(0, 5))
    consumer.read(5)
    producer.write(counted(5, 2))  # lies over the wrap
    producer.lose(100)
    producer.write(counted(107, 4))
    found = drain(consumer)
    assert [item if isinstance(item, int) else item[:, 0].tolist() for item in found] == [
        [5.0, 6.0],
        100,
        [107.0, 108.0, 109.0, 110.0],
    ]


def test_a_full_gap_table_refuses_blocks_and_loses_no_count() -> None:
    producer, consumer = make_ring(4 * GAP_SLOTS, 1)
    for number in range(GAP_SLOTS):
        producer.lose(1)
        assert producer.write(counted(number, 1))
    producer.lose(1)
    assert producer.space == 0  # the next gap has no slot
    assert not producer.write(counted(0, 2))
    assert consumer.lost == GAP_SLOTS + 3
    found = drain(consumer)
    assert sum(item for item in found if isinstance(item, int)) == GAP_SLOTS
    assert producer.space > 0
    assert producer.write(counted(0, 1))
    assert consumer.gap() == 3
    assert sum(item for item in found if isinstance(item, int)) + 3 == consumer.lost


def test_an_empty_block_is_no_event() -> None:
    producer, consumer = make_ring(3, 2)
    assert producer.write(counted(0, 0, 2))
    assert consumer.available == 0
    assert consumer.read(5).shape == (0, 2)


@pytest.mark.parametrize("shape", [(4, 1), (4, 3), (4,), (2, 2, 2)])
def test_another_shape_is_an_error_not_a_spread(shape: tuple[int, ...]) -> None:
    producer, consumer = make_ring(8, 2)
    with pytest.raises(ValueError, match="expected"):
        producer.write(np.zeros(shape, dtype=np.float32))
    assert consumer.available == 0
    assert consumer.lost == 0


@pytest.mark.parametrize(("frames", "channels"), [(0, 1), (1, 0), (-3, 2)])
def test_a_ring_of_nothing_is_refused(frames: int, channels: int) -> None:
    with pytest.raises(ValueError, match="cannot hold sound"):
        make_ring(frames, channels)


def test_what_was_read_is_a_copy() -> None:
    producer, consumer = make_ring(4, 1)
    producer.write(counted(0, 4))
    kept = consumer.read(4)
    producer.write(counted(100, 4))
    np.testing.assert_array_equal(kept, counted(0, 4))


@pytest.fixture
def _hurried_threads():
    """Threads that change places as often as Python allows, so that a race has its chance."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    yield
    sys.setswitchinterval(before)


def run_writer(producer: Producer, blocks: list[tuple[int, int]], wait: bool) -> threading.Thread:
    stock = counted(0, sum(frames for _, frames in blocks), 2)

    def write() -> None:
        for start, frames in blocks:
            while wait and producer.space < frames:
                breathe()
            producer.write(stock[start : start + frames])

    thread = threading.Thread(target=write)
    thread.start()
    return thread


def numbered_blocks(total: int, longest: int) -> list[tuple[int, int]]:
    random = np.random.default_rng(7)
    blocks = []
    start = 0
    while start < total:
        frames = min(int(random.integers(1, longest + 1)), total - start)
        blocks.append((start, frames))
        start += frames
    return blocks


@pytest.mark.usefixtures("_hurried_threads")
@pytest.mark.parametrize(("capacity", "total"), [(1, 10_000), (64, 100_000), (1000, 100_000)])
def test_two_threads_pass_every_frame_unharmed(capacity: int, total: int) -> None:
    producer, consumer = make_ring(capacity, 2)
    writer = run_writer(producer, numbered_blocks(total, min(capacity, 48)), wait=True)
    blocks = []
    while writer.is_alive() or consumer.available:
        if consumer.available:
            blocks.append(consumer.read(37))
        else:
            breathe()
    writer.join()
    np.testing.assert_array_equal(np.concatenate(blocks), counted(0, total, 2))
    assert consumer.gap() == 0
    assert consumer.lost == 0


@pytest.mark.usefixtures("_hurried_threads")
def test_two_threads_with_a_ring_too_small_account_for_every_frame() -> None:
    total = 150_000
    producer, consumer = make_ring(50, 2)
    writer = run_writer(producer, numbered_blocks(total, 48), wait=False)
    position = met = gaps = 0
    while writer.is_alive() or consumer.available:
        missing = consumer.gap()
        gaps += bool(missing)
        met += missing
        position += missing
        block = consumer.read(29)
        np.testing.assert_array_equal(block, counted(position, len(block), 2))
        position += len(block)
    writer.join()
    assert gaps > 0
    assert position + (consumer.lost - met) == total  # the last losses may have nothing behind them
