"""Losses in mono over six bands, against closed forms of channel pairs."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.stereo.mono_bands import MONO_BANDS_HZ, MonoBands

RATE_HZ = 48_000


def losses(pair: np.ndarray, block: int = RATE_HZ) -> np.ndarray:
    bands = MonoBands(RATE_HZ)
    for start in range(0, len(pair), block):
        bands.process(pair[start : start + block])
    return bands.loss_db()


NOISE = np.random.default_rng(9).standard_normal((10 * RATE_HZ, 2)) * 0.1


@pytest.mark.parametrize(
    ("right_of", "expected"),
    [(NOISE[:, :1], 0.0), (-NOISE[:, :1], -np.inf), (np.zeros_like(NOISE[:, :1]), -3.0103)],
    ids=["identical", "inverted", "one side"],
)
def test_exact_pairs(right_of: np.ndarray, expected: float) -> None:
    """Identical 0 dB, inverted all, one side only -3.01 dB (closed forms)."""
    np.testing.assert_allclose(losses(np.hstack([NOISE[:, :1], right_of])), expected, atol=1e-4)


def test_independent_channels_lose_3_db() -> None:
    np.testing.assert_allclose(losses(NOISE), -3.01, atol=0.25)


@pytest.mark.parametrize("correlation", [0.5, -0.5, -0.9])
def test_equal_power_and_correlation(correlation: float) -> None:
    """10 log10((1 + r) / 2) (closed form)."""
    other = correlation * NOISE[:, 0] + np.sqrt(1 - correlation**2) * NOISE[:, 1]
    found = losses(np.column_stack([NOISE[:, 0], other]))
    np.testing.assert_allclose(found[1:], 10 * np.log10((1 + correlation) / 2), atol=0.5)


def test_only_the_band_that_is_turned_over_is_lost() -> None:
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    low, high = 0.1 * np.sin(2 * np.pi * 60 * t), 0.1 * np.sin(2 * np.pi * 2000 * t)
    found = losses(np.column_stack([low + high, low - high]))
    assert found[0] == pytest.approx(0.0, abs=0.001)
    assert found[3] < -40.0
    assert np.isnan(found[[1, 2, 4, 5]]).all()


@pytest.mark.parametrize("block", [1000, 4095, 4097, 65_536])
def test_block_sizes(block: int) -> None:
    np.testing.assert_allclose(losses(NOISE[: 3 * RATE_HZ], block), losses(NOISE[: 3 * RATE_HZ]), atol=1e-6)


def test_silence_and_gaps() -> None:
    assert np.isnan(losses(np.zeros((RATE_HZ, 2)))).all()
    assert np.isnan(losses(np.full((RATE_HZ, 2), np.nan))).all()
    broken = NOISE.copy()
    broken[1000:1100] = np.nan
    assert losses(broken) == pytest.approx(losses(NOISE), abs=0.05)
    assert len(MONO_BANDS_HZ) == 6


def test_one_channel_is_refused() -> None:
    with pytest.raises(ValueError, match="expected"):
        MonoBands(RATE_HZ).process(np.zeros((10, 1)))
