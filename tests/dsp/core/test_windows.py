"""Tick sums, maxima and energies at any block size and rate; rolling sums; gaps as NaN."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.types import FloatArray, tick_edge
from dsp.core.windows import RollingSum, TickEnergies, TickMaxima, TickSums
from tests.support.processors import BLOCK_SIZES, blocks, random_sizes

RATES_HZ = (8000, 11_025, 22_050, 44_100, 48_000)
KINDS = {"sums": lambda rate: TickSums(rate, 2), "maxima": lambda rate: TickMaxima(rate, 2), "energies": TickEnergies}


def slow(kind: str, values: FloatArray, rate_hz: int) -> FloatArray:
    """Each tick by itself."""
    last = len(values) * 100 // rate_hz
    ticks = [values[tick_edge(tick, rate_hz) : tick_edge(tick + 1, rate_hz)] for tick in range(last)]
    if kind == "energies":
        return np.array([[np.sum(tick * tick)] for tick in ticks])
    return np.array([tick.sum(axis=0) if kind == "sums" else tick.max(axis=0) for tick in ticks])


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("kind", KINDS)
def test_every_tick_of_any_blocks_is_that_of_the_slow_way(kind: str, rate_hz: int) -> None:
    values = np.random.default_rng(1).random((9000, 2))
    expected = slow(kind, values, rate_hz)
    for sizes in (*[(size,) for size in BLOCK_SIZES], random_sizes(2)):
        ticks = KINDS[kind](rate_hz)
        found = np.concatenate([ticks.push(block) for block in blocks(values, sizes)])
        np.testing.assert_allclose(found[: len(expected)], expected, rtol=1e-12)
        assert ticks.ticks == len(found)


@pytest.mark.parametrize("kind", KINDS)
def test_ticks_that_touch_a_gap_are_nan_and_the_grid_goes_on(kind: str) -> None:
    ticks = KINDS[kind](48_000)
    ones = np.ones((1000, 2))
    found = np.concatenate([ticks.push(ones), ticks.skip(300), ticks.push(ones), ticks.skip(0)])
    assert np.isnan(found).any(axis=1).tolist() == [False, False, True, False]
    assert ticks.ticks == 4


def test_a_gap_of_whole_ticks_leaves_its_neighbours_alone() -> None:
    ticks = TickSums(48_000, 1)
    found = np.concatenate([ticks.push(np.ones((480, 1))), ticks.skip(960), ticks.push(np.ones((480, 1)))])
    np.testing.assert_array_equal(found[:, 0], [480.0, np.nan, np.nan, 480.0])


@pytest.mark.parametrize("width", [1, 3])
@pytest.mark.parametrize("pieces", [1, 7, 200])
def test_rolling_sum_is_the_sum_of_its_window(width: int, pieces: int) -> None:
    values = np.random.default_rng(3).random((200, width))
    values[60] = np.nan
    rolling = RollingSum(30, width)
    found = np.concatenate([rolling.push(part) for part in np.array_split(values, pieces)])
    expected = np.array([values[end - 30 : end].sum(axis=0) if end >= 30 else np.full(width, np.nan)
                         for end in range(1, 201)])  # fmt: skip
    np.testing.assert_allclose(found, expected, rtol=1e-12)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("size", [64, 960, 2048])
def test_many_columns_side_by_side_have_the_maxima_of_each_alone(rate_hz: int, size: int) -> None:
    values = np.abs(np.random.default_rng(10).standard_normal((rate_hz // 5, 40)))
    wide, alone = TickMaxima(rate_hz, 40), [TickMaxima(rate_hz, 1) for _ in range(40)]
    for block in blocks(values, [size]):
        found = wide.push(block)
        each = [one.push(block[:, [column]]) for column, one in enumerate(alone)]
        np.testing.assert_array_equal(found, np.concatenate(each, axis=1))
