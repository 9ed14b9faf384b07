"""What folds away in the lows, by how much, and what the verdict says."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.signals import silence, tone
from dsp.lowend.fold_down import LowFoldDown, Verdict, bands_now_from, fold_down_loss_db, verdict
from dsp.stereo.correlation import covariances, pair_sums

RATE_HZ = 48_000


def loss_of(pair: np.ndarray) -> float:
    return float(fold_down_loss_db(pair_sums(pair)))


def test_loss_is_the_power_of_the_mean_over_the_mean_power() -> None:
    pair = np.random.default_rng(1).standard_normal((5000, 2)) * [1.0, 0.3]
    pair -= pair.mean(axis=0)
    plain = 10.0 * np.log10(np.mean(pair.mean(axis=1) ** 2) / np.mean(pair**2))
    assert loss_of(pair) == pytest.approx(plain, abs=1e-9)


def test_the_ends_of_the_scale() -> None:
    sine = tone(60.0, -20.0, 1.0, RATE_HZ, channels=2)
    assert loss_of(sine) == 0.0
    assert loss_of(sine * [1.0, -1.0]) == -np.inf
    assert loss_of(sine * [1.0, 0.0]) == pytest.approx(-3.0103, abs=1e-4)
    assert np.isnan(loss_of(silence(1.0, RATE_HZ, 2)))


@pytest.mark.parametrize(
    ("loss_db", "balance", "wanted"),
    [
        (0.0, 0.0, Verdict.SOLID),
        (-0.49, 0.5, Verdict.SOLID),
        (-0.6, 0.0, Verdict.WATCH),
        (0.0, -0.6, Verdict.WATCH),
        (-1.5, 1.5, Verdict.WATCH),
        (-1.6, 0.0, Verdict.LOSES),
        (0.0, 1.6, Verdict.LOSES),
        (-np.inf, 0.0, Verdict.LOSES),
        (-3.01, np.inf, Verdict.LOSES),
        (np.nan, np.nan, Verdict.NOT_YET),
    ],
)
def test_verdict(loss_db: float, balance: float, wanted: Verdict) -> None:
    assert verdict(loss_db, balance) is wanted


def test_weak_bands_do_not_vote() -> None:
    strong = pair_sums(tone(50.0, 0.0, 1.0, RATE_HZ, channels=2))
    levels_db = np.array([0.0, -14.9, -15.1, -80.0])
    sums = np.stack([strong * [1.0, g**0.5, g**0.5, g, g, g] for g in 10.0 ** (levels_db / 10.0)])
    now = bands_now_from(covariances(sums))
    np.testing.assert_array_equal(now.votes, [1.0, 1.0, 0.0, 0.0])
    np.testing.assert_array_equal(np.isnan(now.loss_db), [False, False, True, True])
    np.testing.assert_allclose(now.level_dbfs, levels_db, atol=0.01)
    assert now.worst in (0.0, 1.0)


def test_no_band_votes_before_there_is_anything() -> None:
    for sums in (np.full((4, 6), np.nan), np.zeros((4, 6))):
        now = bands_now_from(covariances(sums))
        assert not now.votes.any()
        assert np.isnan(now.loss_db).all()
        assert np.isnan(now.worst)


def test_highs_and_offsets_say_nothing_about_the_lows() -> None:
    low = tone(50.0, -20.0, 4.0, RATE_HZ, channels=2)
    wide = tone(900.0, -6.0, 4.0, RATE_HZ, channels=2) * [1.0, -1.0]
    fold = LowFoldDown(RATE_HZ)
    fold.process(low + wide + [0.2, -0.2])
    assert fold_down_loss_db(fold.steady_sums[0]) == pytest.approx(0.0, abs=0.01)
