"""Correlation against numpy's, at any block size, with silence, offsets and gaps."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.signals import silence, tone, white_noise
from dsp.core.types import Spec
from dsp.stereo.correlation import (
    Correlation,
    balance_db,
    correlation,
    covariances,
    pair_columns,
    pair_power,
    pair_sums,
)
from tests.support.processors import BLOCK_SIZES, blocks, random_sizes

RATE_HZ = 48_000


def noisy_pair(seconds: float = 1.0) -> np.ndarray:
    first, second = white_noise(np.random.default_rng(1), -20.0, seconds, RATE_HZ, channels=2).T
    return np.stack([first, 0.4 * first + 0.2 * second + 0.05], axis=1)


def fed(signal: np.ndarray, sizes: list[int]) -> Correlation:
    meter = Correlation(RATE_HZ)
    for block in blocks(signal, sizes):
        meter.process(block)
    return meter


def test_sums_of_parts_add_up_and_agree_with_numpy() -> None:
    pair = noisy_pair()
    sums = pair_sums(pair[:10_000]) + pair_sums(pair[10_000:])
    assert correlation(sums) == pytest.approx(np.corrcoef(pair.T)[0, 1], abs=1e-12)
    assert balance_db(sums) == pytest.approx(10.0 * np.log10(np.var(pair[:, 0]) / np.var(pair[:, 1])), abs=1e-9)
    np.testing.assert_allclose(covariances(sums)[2], np.cov(pair.T, bias=True)[0, 1], rtol=1e-9)


def test_sums_work_over_any_leading_shape() -> None:
    pairs = np.random.default_rng(2).standard_normal((3, 4, 50, 2))
    sums = pair_sums(pairs)
    assert sums.shape == (3, 4, 6)
    assert correlation(sums)[1, 2] == pytest.approx(np.corrcoef(pairs[1, 2].T)[0, 1])


@pytest.mark.parametrize("sizes", [*([size] for size in BLOCK_SIZES[1:]), random_sizes(1)], ids=str)
def test_blocks_do_not_matter(sizes: list[int]) -> None:
    pair = noisy_pair()
    whole, pieces = fed(pair, [len(pair)]), fed(pair, sizes)
    np.testing.assert_array_equal(pieces.since_reset_sums(), whole.since_reset_sums())
    np.testing.assert_array_equal(pieces.quick_sums, whole.quick_sums)
    np.testing.assert_array_equal(pieces.steady_sums, whole.steady_sums)


def test_windows_hold_their_spans() -> None:
    pair = noisy_pair(5.0)
    meter = fed(pair, [4800])
    for sums, seconds in ((meter.quick_sums, 0.3), (meter.steady_sums, 3.0)):
        frames = round(seconds * RATE_HZ)
        assert sums[0] == frames
        assert correlation(sums) == pytest.approx(np.corrcoef(pair[-frames:].T)[0, 1], abs=1e-9)


@pytest.mark.parametrize("pair", [np.zeros((100, 2)), np.full((100, 2), 0.3), np.array([[1.0, 0.7]] * 100)])
def test_silence_and_constants_have_no_correlation(pair: np.ndarray) -> None:
    sums = pair_sums(pair)
    assert np.isnan(correlation(sums))
    assert np.isnan(balance_db(sums))
    assert pair_power(sums) == 0.0


def test_one_silent_channel() -> None:
    left_only = tone(440.0, -6.0, 0.5, RATE_HZ, channels=2) * [1.0, 0.0]
    assert np.isnan(correlation(pair_sums(left_only)))
    assert balance_db(pair_sums(left_only)) == np.inf
    assert balance_db(pair_sums(left_only[:, ::-1])) == -np.inf


def test_a_full_scale_sine_in_both_has_power_one() -> None:
    assert pair_power(pair_sums(tone(1000.0, 0.0, 1.0, RATE_HZ, channels=2))) == pytest.approx(1.0, abs=1e-9)


def test_gaps_are_left_out_and_age_counts_them() -> None:
    pair = noisy_pair(4.0)
    meter = fed(pair, [4800])
    before = meter.since_reset_sums()
    assert meter.age_seconds == 0.0
    assert meter.skip(RATE_HZ * 3600) == 20 * 3600
    assert meter.age_seconds == pytest.approx(3600.0)
    np.testing.assert_array_equal(meter.since_reset_sums(), before)
    meter.process(silence(2.0, RATE_HZ, 2))
    assert meter.age_seconds == pytest.approx(3602.0)
    meter.reset()
    assert np.isnan(meter.age_seconds)
    assert np.isnan(meter.since_reset_sums()).all()


def test_left_and_right_are_found_by_role_else_by_place() -> None:
    assert pair_columns(Spec(48_000, 1)) is None
    assert pair_columns(Spec(48_000, 2)) == [0, 1]
    assert pair_columns(Spec(48_000, 2, ("R", "L"))) == [1, 0]
    assert pair_columns(Spec(48_000, 3, ("C", "L", "R"))) == [1, 2]
    assert pair_columns(Spec(48_000, 7)) == [0, 1]
