"""Hops keep their grid at any block size and over gaps."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.hops import HopBuffer
from tests.support.processors import blocks, random_sizes

STREAM = np.arange(1.0, 1001.0)[:, None]


def hops_of(buffer: HopBuffer, signal: np.ndarray, sizes: list[int]) -> list[np.ndarray | None]:
    return [None if hop is None else hop.copy() for block in blocks(signal, sizes) for hop in buffer.cut(block)]


@pytest.mark.parametrize("sizes", [[1], [7], [100], [1000], random_sizes(1)])
def test_hops_with_history_do_not_depend_on_blocks(sizes: list[int]) -> None:
    hops = hops_of(HopBuffer(90, 25, 1), STREAM, sizes)
    assert len(hops) == 11
    for number, hop in enumerate(hops):
        assert hop is not None
        frames = np.arange(90 * number - 25 + 1, 90 * number + 90 + 1)
        np.testing.assert_array_equal(hop[:, 0], np.maximum(frames, 0))


def test_history_longer_than_a_hop() -> None:
    last = hops_of(HopBuffer(10, 35, 1), STREAM, [13])[-1]
    assert last is not None
    np.testing.assert_array_equal(last, STREAM[-45:])


def test_a_hop_that_touches_a_gap_is_lost_and_the_grid_stays() -> None:
    buffer = HopBuffer(10, 5, 1)
    (whole,) = hops_of(buffer, STREAM[:12], [12])
    assert whole is not None
    np.testing.assert_array_equal(whole[:, 0], [0, 0, 0, 0, 0, *range(1, 11)])
    assert buffer.skip(13) == 1
    hops = hops_of(buffer, STREAM[25:50], [4])
    assert hops[0] is None
    assert hops[1] is not None
    np.testing.assert_array_equal(hops[1][:, 0], np.arange(26, 41))
    assert buffer.unbroken_frames == 25


def test_a_gap_that_ends_on_the_grid_loses_no_hop_after_it() -> None:
    buffer = HopBuffer(10, 5, 1)
    hops_of(buffer, STREAM[:5], [5])
    assert buffer.skip(15) == 2
    (hop,) = hops_of(buffer, STREAM[20:30], [10])
    assert hop is not None
    np.testing.assert_array_equal(hop[:, 0], [0, 0, 0, 0, 0, *range(21, 31)])


def test_gaps_add_up_and_no_gap_is_none() -> None:
    one, two = HopBuffer(10, 0, 1), HopBuffer(10, 0, 1)
    assert one.skip(37) == two.skip(20) + two.skip(17)
    assert one.skip(0) == one.skip(-3) == 0
    assert [hop is None for hop in one.cut(STREAM[:13])] == [hop is None for hop in two.cut(STREAM[:13])]


def test_reset_forgets() -> None:
    buffer = HopBuffer(10, 5, 1)
    hops_of(buffer, STREAM[:19], [19])
    buffer.reset()
    (hop,) = hops_of(buffer, STREAM[:10], [10])
    assert hop is not None
    assert not hop[:5].any()
    assert buffer.unbroken_frames == 10


@pytest.mark.parametrize("sizes", [(1,), (13,), (64, 3), (400,)])
@pytest.mark.parametrize("history", [0, 3, 17])
def test_runs_hold_the_same_hops_as_cut(sizes: tuple[int, ...], history: int) -> None:
    stream = np.random.default_rng(3).standard_normal((400, 2))
    one, two = HopBuffer(8, history, 2), HopBuffer(8, history, 2)
    for block in blocks(stream, sizes):
        cut = [hop.copy() for hop in one.cut(block) if hop is not None]
        run = []
        for hops, segment in two.runs(block):
            assert segment is not None
            run += [segment[8 * number : 8 * number + history + 8].copy() for number in range(hops)]
        np.testing.assert_array_equal(np.array(run), np.array(cut))
    assert one.unbroken_frames == two.unbroken_frames


@pytest.mark.parametrize("lost_frames", [3, 4, 40])
def test_before_a_gap_lies_nothing_that_a_later_hop_can_see(lost_frames: int) -> None:
    hops = HopBuffer(4, 6, 1)
    list(hops.cut(np.ones((8, 1))))
    hops.skip(lost_frames)
    rest = -(8 + lost_frames) % 4
    found = [segment.copy() for segment in hops.cut(2.0 * np.ones((rest + 8, 1))) if segment is not None]
    np.testing.assert_array_equal(found[0][:, 0], [0.0] * (6 - rest) + [2.0] * (4 + rest))
