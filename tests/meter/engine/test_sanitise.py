"""What is not a number never reaches a filter, and is counted."""

from __future__ import annotations

import numpy as np
import pytest

from meter.engine.sanitise import CEILING, Sanitiser


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


def test_absurd_values_are_clamped_and_counted() -> None:
    block = np.full((480, 1), -1e38, dtype=np.float32)
    sanitiser = Sanitiser(48_000)
    [piece] = sanitiser.pieces(block)
    assert isinstance(piece, np.ndarray)
    assert (piece == -CEILING).all()
    assert sanitiser.invalid_samples == 480


def test_a_block_of_nothing_but_bad_samples_is_one_gap() -> None:
    assert list(Sanitiser(44_100).pieces(np.full((1000, 2), np.nan))) == [1000]


def test_an_empty_block_is_an_empty_piece() -> None:
    [piece] = Sanitiser(48_000).pieces(np.empty((0, 2), dtype=np.float32))
    assert isinstance(piece, np.ndarray)
    assert piece.shape == (0, 2)
