"""Butterworth losses and delays, the running filter, and ringing times, against closed forms."""

from __future__ import annotations

import pytest

from meter.selftest.checks import Check
from meter.selftest.high_pass import AFFORD, CHECKS, DELAY, LOSS, RESONATOR, TEMPO
from tests.support.published import by_source, hold, name_of


@pytest.mark.parametrize("check", by_source(CHECKS, LOSS), ids=name_of)
def test_loss_stated_and_heard(check: Check) -> None:
    hold(check)


@pytest.mark.parametrize("check", by_source(CHECKS, DELAY, AFFORD), ids=name_of)
def test_delay_and_the_highest_affordable_cutoff(check: Check) -> None:
    hold(check)


@pytest.mark.parametrize("check", by_source(CHECKS, RESONATOR, TEMPO), ids=name_of)
def test_ringing_times_and_half_a_beat(check: Check) -> None:
    hold(check)
