"""What was captured comes back as it was, and nothing that was let go or lost."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.captured_stretch import Capture

STREAM = np.arange(3000.0).reshape(1000, 3)


@pytest.mark.parametrize("block", [1, 7, 64, 100, 250, 1000])
def test_the_newest_frames_are_kept_at_any_block_size(block: int) -> None:
    capture = Capture(100, 3)
    for start in range(0, 1000, block):
        capture.push(STREAM[start : start + block])
        oldest, newest = capture.start, capture.end
        assert newest == min(start + block, 1000)
        assert oldest == max(0, newest - 100)
        np.testing.assert_array_equal(capture.read(oldest, newest - oldest, [2, 0]), STREAM[oldest:newest, [2, 0]])


@pytest.mark.parametrize(("first", "frames"), [(-1, 5), (399, 5), (496, 5), (450, -1)])
def test_what_is_not_kept_is_refused(first: int, frames: int) -> None:
    capture = Capture(100, 3)
    capture.push(STREAM[:500])
    with pytest.raises(IndexError, match="are not kept; 400 to 500 are"):
        capture.read(first, frames, [0])


def test_nothing_is_read_across_a_gap() -> None:
    capture = Capture(100, 3)
    capture.push(STREAM[:50])
    capture.cut()
    assert (capture.start, capture.end) == (50, 50)
    capture.push(STREAM[50:60])
    np.testing.assert_array_equal(capture.read(50, 10, [1]), STREAM[50:60, [1]])
    capture.reset()
    assert (capture.start, capture.end) == (0, 0)


def test_another_number_of_channels_is_refused() -> None:
    with pytest.raises(ValueError, match="expected"):
        Capture(100, 3).push(STREAM[:, :2])


def test_blocks_side_by_side_are_kept_as_one() -> None:
    """Also across the end of what is kept, and where a block is longer than all of it."""
    random = np.random.default_rng(7)
    for frames in (7, 30, 64, 100):
        apart, joined = Capture(64, 5), Capture(64, 5)
        for _ in range(5):
            left, right = random.standard_normal((frames, 3)), random.standard_normal((frames, 2))
            apart.push(left, right)
            joined.push(np.concatenate([left, right], axis=1))
        assert (apart.start, apart.end) == (joined.start, joined.end)
        count = apart.end - apart.start
        np.testing.assert_array_equal(
            apart.read(apart.start, count, range(5)), joined.read(joined.start, count, range(5))
        )


def test_blocks_of_different_lengths_are_refused() -> None:
    with pytest.raises(ValueError, match="expected"):
        Capture(64, 3).push(np.zeros((4, 2)), np.zeros((5, 1)))
