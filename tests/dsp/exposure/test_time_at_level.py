"""The ledger of levels: any rule's share comes out of it at any time."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.core.units import db_to_power
from dsp.exposure.exposure import Rule, share_percent
from dsp.exposure.time_at_level import MOST_DB, LevelTime

RULES = [
    Rule("energy", 75.0, 40.0, "week"),
    Rule("3 dB", 85.0, 8.0, "day", 3.0, 80.0),
    Rule("5 dB", 90.0, 8.0, "day", 5.0, 80.0),
]


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_the_share_equals_that_of_every_second_by_itself(rule: Rule) -> None:
    levels = np.random.default_rng(2).normal(84.0, 8.0, 4 * 3600)
    levels = levels[np.abs(levels - 80.0) > 0.01]
    ledger = LevelTime()
    for level in levels:
        ledger.add(db_to_power(float(level)), 1.0 / 3600.0)
    expected = share_percent(levels, np.full(len(levels), 1.0 / 3600.0), rule)
    assert ledger.share_percent(rule) == pytest.approx(expected, rel=2e-4)


def test_silence_no_time_and_nothing_are_no_share() -> None:
    ledger = LevelTime()
    assert ledger.share_percent(RULES[0]) == 0.0
    ledger.add(0.0, 10.0)
    ledger.add(db_to_power(90.0), 0.0)
    ledger.add(db_to_power(-3.0), 1.0)
    assert ledger.share_percent(RULES[0]) == 0.0


def test_a_level_past_the_last_bin_keeps_its_energy() -> None:
    ledger = LevelTime()
    ledger.add(db_to_power(MOST_DB + 30.0), 1e-12)
    expected = share_percent([MOST_DB + 30.0], [1e-12], RULES[0])
    assert ledger.share_percent(RULES[0]) == pytest.approx(expected)
    assert math.isfinite(expected)
    ledger.reset()
    assert ledger.share_percent(RULES[0]) == 0.0


@pytest.mark.parametrize("tenth", range(10))
def test_a_threshold_on_any_tenth_of_a_decibel_is_kept(tenth: int) -> None:
    """Rules give thresholds to a tenth at the finest: what lies just under must not share a bin with what counts."""
    threshold_db = 80.0 + tenth / 10.0
    rule = Rule("on the tenth", 85.0, 8.0, "day", 3.0, threshold_db)
    ledger = LevelTime()
    ledger.add(db_to_power(threshold_db - 0.02), 3.0)
    assert ledger.share_percent(rule) == 0.0
    ledger.add(db_to_power(threshold_db + 0.02), 3.0)
    expected = share_percent([threshold_db + 0.02], [3.0], rule)
    assert ledger.share_percent(rule) == pytest.approx(expected, rel=1e-9)
