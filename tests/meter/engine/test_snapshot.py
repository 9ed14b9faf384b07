"""The shared block gives whole readings or none, and leaves nothing behind."""

from __future__ import annotations

import multiprocessing
import os
import time
from pathlib import Path

import numpy as np
import pytest

from meter.engine.snapshot import CAPACITY, NAME_PREFIX, SharedSnapshot, remove_stale


def write_for_a_while(name: str, seconds: float) -> None:
    """One number per update in every place, as fast as possible."""
    block = SharedSnapshot.attach(name)
    values = np.empty(2000)
    end = time.monotonic() + seconds
    number = 0.0
    while time.monotonic() < end:
        number += 1.0
        values[:] = number
        block.publish(1, values[:10], values)
    block.close()


@pytest.fixture
def block():
    block = SharedSnapshot.create()
    yield block
    block.close()


def test_nothing_before_the_first_reading(block: SharedSnapshot) -> None:
    assert block.take() is None


def test_the_newest_reading_is_taken(block: SharedSnapshot) -> None:
    writer = SharedSnapshot.attach(block.name)
    for number in (1.0, 2.0, 3.0):
        writer.publish(7, np.array([number]), np.array([number, number]))
    taken = block.take()
    assert taken is not None
    assert (taken.count, taken.generation) == (3, 7)
    np.testing.assert_array_equal(taken.values, [3.0, 3.0, 3.0])
    writer.close()


def test_readings_are_never_torn(block: SharedSnapshot) -> None:
    writer = multiprocessing.get_context("spawn").Process(target=write_for_a_while, args=(block.name, 1.5))
    writer.start()
    seen = set()
    while writer.is_alive():
        taken = block.take()
        if taken is not None:
            assert (taken.values == taken.values[0]).all()
            seen.add(float(taken.values[0]))
    writer.join()
    assert writer.exitcode == 0
    assert len(seen) > 10


def test_more_readings_than_fit_are_refused(block: SharedSnapshot) -> None:
    with pytest.raises(ValueError, match="enable fewer meters"):
        block.publish(1, np.zeros(1), np.zeros(CAPACITY))


def test_a_dead_engines_readings_are_forgotten(block: SharedSnapshot) -> None:
    block.publish(1, np.zeros(1), np.zeros(1))
    block.beat_engine(5)
    block.enter_meter(2)
    assert block.meter_at_work == 2
    block.forget()
    assert block.take() is None
    assert block.engine_beat_ns == 0
    assert block.meter_at_work == -1


def test_closing_removes_the_block() -> None:
    block = SharedSnapshot.create()
    path = Path("/dev/shm", block.name)
    assert path.exists()
    block.close()
    assert not path.exists()


def test_blocks_of_dead_makers_are_removed_and_others_kept(tmp_path: Path) -> None:
    dead = tmp_path / f"{NAME_PREFIX}-999999999-00ff00ff"
    alive = tmp_path / f"{NAME_PREFIX}-{os.getpid()}-00ff00ff"
    other = tmp_path / "something-else"
    for path in (dead, alive, other):
        path.write_bytes(b"")
    assert remove_stale(tmp_path) == [dead.name]
    assert alive.exists()
    assert other.exists()


def test_a_block_of_another_version_is_refused(block: SharedSnapshot) -> None:
    block._header[1] = 99
    with pytest.raises(ValueError, match="another version"):
        SharedSnapshot.attach(block.name)
