"""Only sound votes; what was judged stays, with its age."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.energy_gate import EnergyGate, votes_of
from dsp.core.units import db_to_power


def push(gate: EnergyGate, level_dbfs: float, value: float, times: int = 1) -> None:
    for _ in range(times):
        gate.push(db_to_power(level_dbfs), np.array([value]))


def test_nothing_is_judged_before_there_is_sound() -> None:
    gate = EnergyGate([6, 60], (1,))
    push(gate, -61.0, 1.0, 100)
    assert np.isnan(gate.windows).all()
    assert np.isnan(gate.since_reset()).all()
    assert np.isnan(gate.age_hops)


def test_a_short_window_speaks_before_a_long_one() -> None:
    gate = EnergyGate([6, 60], (1,))
    push(gate, -20.0, 1.0, 3)
    assert gate.windows[0] == 3.0
    assert np.isnan(gate.windows[1])
    push(gate, -20.0, 1.0, 3)
    assert gate.windows[1] == 6.0
    assert gate.age_hops == 0.0


@pytest.mark.parametrize(("hops", "needed"), [(3, 2), (4, 2), (5, 3), (12, 6), (60, 6)])
def test_a_window_needs_half_of_its_hops_to_vote_and_six_at_most(hops: int, needed: int) -> None:
    gate = EnergyGate([hops], (1,))
    push(gate, -20.0, 1.0, needed - 1)
    assert np.isnan(gate.windows[0])
    push(gate, -20.0, 1.0)
    assert gate.windows[0] == needed


@pytest.mark.parametrize(("loud", "quiet_votes"), [(1, True), (2, False)])
def test_the_loud_level_is_that_of_19_in_20_hops(loud: int, quiet_votes: bool) -> None:
    """The 95th percentile of 20 hops lies under the loudest alone; two loud ones set it, and the rest drop out."""
    gate = EnergyGate([20], (1,))
    push(gate, -40.0, 1.0, 20 - loud)
    push(gate, -10.0, 1.0, loud)
    expected = 20.0 if quiet_votes else loud
    assert gate.since_reset() == expected
    assert votes_of(gate._powers).sum() == expected


def test_hops_far_below_the_loud_level_do_not_vote() -> None:
    gate = EnergyGate([60], (1,))
    push(gate, -41.0, 100.0, 20)
    push(gate, -10.0, 1.0, 40)
    assert gate.windows[0] == 40.0
    assert gate.since_reset() == 40.0
    push(gate, -29.9, 1.0, 10)
    assert gate.windows[0] == 50.0
    assert gate.since_reset() == 50.0


def test_a_window_forgets_what_has_left_it() -> None:
    gate = EnergyGate([10], (1,))
    push(gate, -10.0, 5.0, 30)
    push(gate, -10.0, 1.0, 10)
    assert gate.windows[0] == 10.0
    assert gate.since_reset() == 160.0


def test_the_judgement_stays_while_nothing_votes_and_ages() -> None:
    gate = EnergyGate([10], (1,))
    push(gate, -10.0, 1.0, 10)
    push(gate, -200.0, 7.0, 25)
    assert gate.windows[0] == 10.0
    assert gate.age_hops == 25.0
    gate.push(float("nan"), np.array([np.nan]))
    gate.skip(4)
    assert gate.age_hops == 30.0
    gate.skip(10_000_000)
    assert gate.age_hops == 10_000_030.0
    push(gate, -10.0, 2.0, 5)
    assert gate.windows[0] == 10.0
    assert gate.since_reset() == 20.0


def test_lost_hops_leave_the_window() -> None:
    gate = EnergyGate([10], (1,))
    push(gate, -10.0, 1.0, 10)
    gate.skip(3)
    push(gate, -10.0, 1.0)
    assert gate.windows[0] == 7.0


@pytest.mark.parametrize("level_dbfs", [130.0, 400.0, 3000.0])
def test_absurd_levels_do_not_break_it(level_dbfs: float) -> None:
    gate = EnergyGate([10], (1,))
    push(gate, level_dbfs, 1.0, 10)
    push(gate, -10.0, 9.0, 10)
    assert gate.since_reset() == 10.0


def test_reset_forgets() -> None:
    gate = EnergyGate([10], (1,))
    push(gate, -10.0, 1.0, 10)
    gate.reset()
    assert np.isnan(gate.windows[0]).all()
    assert np.isnan(gate.since_reset()).all()
    assert np.isnan(gate.age_hops)


def test_many_hops_at_once_are_the_same_as_one_after_the_other() -> None:
    rng = np.random.default_rng(5)
    powers = db_to_power(-30.0) * 10 ** rng.uniform(-4.5, 1.0, 300)
    powers[rng.integers(0, 300, 40)] = np.nan
    powers[rng.integers(0, 300, 5)], powers[rng.integers(0, 300, 5)], powers[150] = 0.0, np.inf, 1e14
    sums = rng.standard_normal((300, 2))
    one, many = EnergyGate([6, 60], (2,)), EnergyGate([6, 60], (2,))
    start = 0
    for size in (1, 7, 90, 2, 100, 100):
        for power, hop in zip(powers[start : start + size], sums[start : start + size], strict=True):
            one.push(float(power), hop)
        many.push_many(powers[start : start + size], sums[start : start + size])
        start += size
        np.testing.assert_allclose(many.windows, one.windows, rtol=1e-12)
        np.testing.assert_allclose(many.since_reset(), one.since_reset(), rtol=1e-12)
        assert many.age_hops == one.age_hops or np.isnan(one.age_hops)


@pytest.mark.parametrize(("loud_hops", "quiet_votes"), [(7, False), (3, True)])
def test_the_loud_level_leaves_out_the_loudest_twentieth(loud_hops: int, quiet_votes: bool) -> None:
    """Of 100 hops 7 are more than the 5 % above a 95th percentile, so they set the gate; 3 are less and do not."""
    gate = EnergyGate([100], (1,))
    push(gate, -31.5, 1.0, 100 - loud_hops)
    push(gate, -10.0, 1000.0, loud_hops)
    expected = 1000.0 * loud_hops + (100 - loud_hops) * quiet_votes
    assert gate.windows[0] == expected
    assert gate.since_reset() == expected
