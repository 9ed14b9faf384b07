"""Butterworth losses and delays, the running filter, and ringing times, against closed forms."""

from __future__ import annotations

from meter.selftest.high_pass import AFFORD, CHECKS, DELAY, LOSS, RESONATOR, TEMPO
from tests.support.published import by_source, hold_all


def test_loss_stated_and_heard() -> None:
    hold_all(by_source(CHECKS, LOSS))


def test_delay_and_the_highest_affordable_cutoff() -> None:
    hold_all(by_source(CHECKS, DELAY, AFFORD))


def test_ringing_times_and_half_a_beat() -> None:
    hold_all(by_source(CHECKS, RESONATOR, TEMPO))
