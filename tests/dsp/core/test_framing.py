"""Frames across block edges, and a memory that forgets in order."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.framing import Framer, History, longest_unbroken


@pytest.mark.parametrize("block", [1, 3, 7, 100])
@pytest.mark.parametrize(("length", "hop"), [(8, 4), (8, 8), (5, 3), (4, 1)])
def test_frames_start_at_multiples_of_the_hop(block: int, length: int, hop: int) -> None:
    signal = np.arange(100.0)[:, None]
    framer = Framer(length, hop, 1)
    frames = np.concatenate([framer.push(signal[start : start + block]) for start in range(0, 100, block)])
    assert len(frames) == (100 - length) // hop + 1
    np.testing.assert_array_equal(frames[:, 0, 0], hop * np.arange(len(frames)))
    np.testing.assert_array_equal(frames[:, -1, 0], hop * np.arange(len(frames)) + length - 1)
    framer.reset()
    assert len(framer.push(signal[: length - 1])) == 0


def test_frames_may_not_leave_holes() -> None:
    with pytest.raises(ValueError, match="hop of 6"):
        Framer(4, 6, 1)


def test_history_keeps_the_end() -> None:
    history = History(5, 1)
    assert history.rows().shape == (0, 1)
    for start in range(0, 20, 3):
        history.push(np.arange(start, start + 3.0)[:, None])
    np.testing.assert_array_equal(history.rows()[:, 0], np.arange(16.0, 21.0))
    history.push(np.empty((0, 1)))
    assert len(history.rows()) == 5
    history.reset()
    assert not len(history.rows())


def test_history_lets_go_though_it_is_asked_at_every_turn() -> None:
    history = History(100, 1)
    for number in range(300):
        history.push(np.full((10, 1), float(number)))
        newest = history.rows()
        assert newest[-1, 0] == number
        base = newest if newest.base is None else newest.base
        assert base.size <= 110


def test_history_may_keep_all_and_in_single_precision() -> None:
    history = History(None, 2, np.float32)
    for _ in range(10):
        history.push(np.ones((100, 2)))
    assert history.rows().shape == (1000, 2)
    assert history.rows().dtype == np.float32


@pytest.mark.parametrize(
    ("missing", "expected"),
    [
        ((), (0, 10)),
        ((0,), (1, 10)),
        ((9,), (0, 9)),
        ((3,), (4, 10)),
        ((7,), (0, 7)),
        (range(10), (10, 10)),
        ((4, 5), (6, 10)),
    ],
)
def test_longest_unbroken(missing, expected: tuple[int, int]) -> None:
    rows = np.zeros((10, 2))
    rows[list(missing), 1] = np.nan
    found = longest_unbroken(rows)
    assert (found.start, found.stop) == expected


def test_nothing_is_unbroken() -> None:
    assert longest_unbroken(np.empty((0, 1))) == slice(0, 0)
