"""Level and crest factor as streams. Published figures: tests/published/test_levels.py."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.core.signals import tone, white_noise
from dsp.level.level import Level
from tests.support.processors import BLOCK_SIZES, blocks, random_sizes

FIGURES = ("mean_power", "rms_db", "rms_dbfs", "peak_dbfs", "crest_db")


def levels(signal: np.ndarray, sizes: list[int]) -> Level:
    level = Level(signal.shape[1])
    for block in blocks(signal, sizes):
        level.process(block)
    return level


@pytest.mark.parametrize("sizes", [*([size] for size in BLOCK_SIZES), random_sizes(1), random_sizes(2)])
def test_any_blocks_give_the_same_figures(sizes: list[int]) -> None:
    signal = white_noise(np.random.default_rng(1), -20.0, 0.5, 48_000, 2)
    got, whole = levels(signal, sizes), levels(signal, [len(signal)])
    for figure in FIGURES:
        np.testing.assert_allclose(getattr(got, figure), getattr(whole, figure), rtol=1e-12)


def test_against_numpy() -> None:
    signal = white_noise(np.random.default_rng(2), -12.0, 1.0, 48_000, 2)
    level = levels(signal, [480])
    np.testing.assert_allclose(level.rms_db, 20.0 * np.log10(np.sqrt(np.mean(signal**2, axis=0))))
    np.testing.assert_allclose(level.peak_dbfs, 20.0 * np.log10(np.abs(signal).max(axis=0)))


def test_hours_of_a_constant_do_not_drift() -> None:
    level, block = Level(1), np.full((48_000, 1), 0.1)
    for _ in range(2000):
        level.process(block)
    assert level.rms_db[0] == pytest.approx(-20.0, abs=1e-9)


def test_before_the_first_frame_nothing_can_be_said() -> None:
    level = Level(2)
    level.process(np.empty((0, 2)))
    for figure in FIGURES:
        assert np.isnan(getattr(level, figure)).all(), figure


def test_silence_has_a_level_but_no_crest_factor() -> None:
    level = levels(np.zeros((480, 1)), [480])
    assert level.rms_dbfs[0] == -math.inf
    assert level.peak_dbfs[0] == -math.inf
    assert math.isnan(level.crest_db[0])


def test_reset_and_shape() -> None:
    level = levels(tone(997.0, 0.0, 0.1, 48_000, 2), [480])
    level.reset()
    assert np.isnan(level.mean_power).all()
    with pytest.raises(ValueError, match=r"\(frames, 2\)"):
        level.process(np.zeros((480, 1)))
