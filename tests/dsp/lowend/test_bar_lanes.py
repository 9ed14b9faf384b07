"""Bars begin where the hits are, and what is folded comes out where it was put."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.bar_lanes import bar_seconds, bar_starts, folded
from dsp.lowend.onsets import SMOOTHING_SECONDS
from tests.support.low_parts import held, place

RATE_HZ = 4000


def test_a_bar_is_four_beats() -> None:
    assert bar_seconds(120.0) == 2.0
    for tempo in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(ValueError, match="no bars"):
            bar_seconds(tempo)


def test_bars_begin_on_the_hit_that_comes_in_every_bar() -> None:
    every = 0.3 + 2.0 * np.arange(10)
    odd = np.array([1.9, 7.7, 12.1])
    starts = bar_starts(np.sort(np.concatenate([every, odd])), 2.0, 20.5)
    np.testing.assert_allclose(starts, every[2:], atol=1e-9)


def test_a_start_once_chosen_stays_while_half_of_the_bars_have_it() -> None:
    hits = np.sort(np.concatenate([0.3 + 2.0 * np.arange(10), 1.3 + 2.0 * np.arange(10)]))
    first = bar_starts(hits, 2.0, 20.5)
    for chosen in (0.3, 1.3):
        again = bar_starts(hits, 2.0, 20.5, before=chosen)
        assert (again[-1] - chosen) % 2.0 == pytest.approx(0.0, abs=1e-9)
    moved = bar_starts(hits, 2.0, 20.5, before=0.8)
    np.testing.assert_allclose(moved, first)


def test_no_hits_no_bars() -> None:
    assert not len(bar_starts(np.empty(0), 2.0, 20.0))
    assert np.isnan(folded(np.ones((100, 1)), RATE_HZ, np.empty(0), 2.0, 8)).all()
    assert np.isnan(folded(np.empty((0, 1)), RATE_HZ, np.zeros(1), 2.0, 8)).all()


@pytest.mark.parametrize("rate_hz", [4000, 4009])
def test_a_note_in_every_bar_fills_its_columns(rate_hz: int) -> None:
    """A held sine of peak 0.3 has an amplitude of 0.3 over root 2, less what a Gaussian of 1.2 ms takes at 50 Hz."""
    amplitude = 0.3 / np.sqrt(2) * np.exp(-0.5 * (2 * np.pi * 50.0 * SMOOTHING_SECONDS) ** 2)
    notes = [(0.5 + 2.0 * bar, held(50.0, 0.5, (1.0,))) for bar in range(4)]
    signal = np.tile(place(notes, 9.0, rate_hz), (1, 2))
    lane = folded(signal, rate_hz, 2.0 * np.arange(4), 2.0, 16)
    np.testing.assert_allclose(lane[5:7], amplitude, rtol=0.02)
    assert lane[[0, 1, 2, 10, 11, 12, 13, 14, 15]].max() < 0.01


def test_bars_that_hang_over_the_ends_count_as_far_as_they_go() -> None:
    signal = place([(0.0, held(50.0, 3.0, (1.0,)))], 3.0, RATE_HZ)
    lane = folded(signal, RATE_HZ, np.array([-1.0, 1.0]), 2.0, 4)
    assert np.isfinite(lane).all()
    whole = folded(signal, RATE_HZ, np.array([10.0]), 2.0, 4)
    assert np.isnan(whole).all()
