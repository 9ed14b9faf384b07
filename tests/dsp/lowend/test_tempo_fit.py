"""Does a tempo fit the onsets: played times with a known tempo, and closeness by closed form."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.types import FloatArray
from dsp.lowend.tempo_fit import closeness, tempo_fit


def played(
    tempo_bpm: float, grid: tuple[float, ...], bars: int = 8, jitter_ms: float = 8.0, seed: int = 3
) -> FloatArray:
    """Onsets on these beats of each bar of four, played a little unevenly."""
    beat = 60.0 / tempo_bpm
    times = np.array([(4 * bar + place) * beat for bar in range(bars) for place in grid])
    return times + np.random.default_rng(seed).normal(0.0, jitter_ms / 1000.0, len(times)) + 0.37


ROCK = (0.0, 1.5, 2.0, 3.75)
SHUFFLE = (0.0, 2.0 / 3.0, 1.0, 5.0 / 3.0, 2.0, 3.0)
FOUR = (0.0, 1.0, 2.0, 3.0)


@pytest.mark.parametrize("grid", [ROCK, SHUFFLE, FOUR])
@pytest.mark.parametrize("tempo_bpm", [72.0, 120.0, 171.5])
def test_the_tempo_that_is_played_fits(grid: tuple[float, ...], tempo_bpm: float) -> None:
    assert tempo_fit(played(tempo_bpm, grid), tempo_bpm).fits


@pytest.mark.parametrize("error", [0.97, 1.02, 1.05])
@pytest.mark.parametrize("grid", [ROCK, SHUFFLE])
def test_a_tempo_a_little_off_does_not_fit_and_the_one_that_is_played_is_named(
    grid: tuple[float, ...], error: float
) -> None:
    found = tempo_fit(played(118.0, grid), 118.0 * error)
    assert not found.fits
    assert found.better_bpm == pytest.approx(118.0, abs=0.5)


def test_a_tempo_of_other_music_does_not_fit() -> None:
    assert not tempo_fit(played(96.0, (0.0, 1.0, 1.5, 2.25)), 141.0).fits


def test_few_onsets_and_short_ones_say_nothing() -> None:
    assert tempo_fit(played(118.0, ROCK, bars=2), 90.0).fits
    assert tempo_fit(np.linspace(0.0, 1.0, 30), 60.0).fits


def test_closeness_is_one_on_the_grid_and_none_where_phases_cancel() -> None:
    """Two onsets half a step apart cancel: |1 + exp(i pi)| = 0."""
    beats = np.arange(16) * 0.5
    assert closeness(beats, np.array([120.0]))[:, 0] == pytest.approx([1.0] * 4)
    assert closeness(np.arange(16) * 0.25, np.array([120.0]))[0, 0] == pytest.approx(0.0, abs=1e-12)
