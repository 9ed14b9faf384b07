"""What is not a number never reaches a filter, and is counted."""

from __future__ import annotations

import numpy as np
import pytest

from meter.engine.sanitise import Sanitiser


def test_clean_sound_passes_whole_as_float64() -> None:
    block = np.linspace(-1, 1, 960, dtype=np.float32).reshape(480, 2)
    [piece] = Sanitiser(48_000).pieces(block)
    assert isinstance(piece, np.ndarray)
    assert piece.dtype == np.float64
    np.testing.assert_array_equal(piece, block)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_the_tick_of_a_bad_sample_becomes_a_gap(bad: float) -> None:
    block = np.ones((2400, 2), dtype=np.float32)
    block[1000, 1] = bad
    sanitiser = Sanitiser(48_000)
    pieces = list(sanitiser.pieces(block))
    assert [len(piece) if isinstance(piece, np.ndarray) else -piece for piece in pieces] == [960, -480, 960]
    assert sanitiser.invalid_samples == 1
    assert all(np.isfinite(piece).all() for piece in pieces if isinstance(piece, np.ndarray))


@pytest.mark.parametrize("absurd", [1e38, -1e38, 1000.1])
def test_a_value_beyond_60_dbfs_is_invalid_and_its_tick_a_gap(absurd: float) -> None:
    block = np.ones((1440, 1), dtype=np.float32)
    block[700] = absurd
    sanitiser = Sanitiser(48_000)
    pieces = list(sanitiser.pieces(block))
    assert [len(piece) if isinstance(piece, np.ndarray) else -piece for piece in pieces] == [480, -480, 480]
    assert all((piece == 1.0).all() for piece in pieces if isinstance(piece, np.ndarray))
    assert sanitiser.invalid_samples == 1


def test_a_float_peak_40_db_over_full_scale_is_sound() -> None:
    block = np.full((480, 2), 100.0)
    sanitiser = Sanitiser(48_000)
    [piece] = sanitiser.pieces(block)
    np.testing.assert_array_equal(piece, block)
    assert sanitiser.invalid_samples == 0


def test_a_second_without_one_valid_tick_is_a_feed_of_nothing_but_invalid_samples() -> None:
    sanitiser = Sanitiser(48_000)
    bad, good = np.full((4800, 2), np.nan), np.zeros((480, 2))
    for tenth in range(10):
        assert not sanitiser.only_invalid, tenth
        list(sanitiser.pieces(bad))
    assert sanitiser.only_invalid
    list(sanitiser.pieces(good))
    assert not sanitiser.only_invalid


def test_one_bad_sample_in_every_other_tick_is_not_a_feed_of_nothing_else() -> None:
    sanitiser, block = Sanitiser(48_000), np.zeros((960, 1))
    block[700] = np.nan
    for _ in range(200):
        list(sanitiser.pieces(block))
    assert not sanitiser.only_invalid


def test_a_block_of_nothing_but_bad_samples_is_one_gap() -> None:
    assert list(Sanitiser(44_100).pieces(np.full((1000, 2), np.nan))) == [1000]


def test_an_empty_block_is_an_empty_piece() -> None:
    [piece] = Sanitiser(48_000).pieces(np.empty((0, 2), dtype=np.float32))
    assert isinstance(piece, np.ndarray)
    assert piece.shape == (0, 2)
