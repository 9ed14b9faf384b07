"""Every case of EBU Tech 3341 v4 (2023) Table 1 that can be made from its text, live and offline, at every rate."""

from __future__ import annotations

import pytest

from dsp.core.types import TICKS_PER_SECOND
from meter.selftest import loudness, true_peak
from meter.selftest.loudness import TECH_3341, tech_3341
from tests.support.published import by_source, hold_all

OTHER_RATES_HZ = (44_100, 96_000, 192_000)
"""Table 1 describes 48 kHz signals, whose levels and times mean the same elsewhere."""

OFFLINE_RATES_HZ = (44_100, 192_000)
"""The lowest and the highest; ``test_bs1770`` holds the filters at every rate."""

SHORT_CASES = ("9", "12", "13", "14")
"""What is worth asking live at the high rates: the sliding windows, in a few seconds of sound."""


def test_cases_1_to_14_whole_and_in_ticks() -> None:
    hold_all(by_source(loudness.CHECKS, TECH_3341))


def test_cases_15_to_23() -> None:
    hold_all(by_source(true_peak.CHECKS, TECH_3341))


@pytest.mark.parametrize("rate_hz", OFFLINE_RATES_HZ)
def test_cases_1_to_14_at_other_rates_offline(rate_hz: int) -> None:
    hold_all(tech_3341(rate_hz))


@pytest.mark.parametrize("rate_hz", OTHER_RATES_HZ)
def test_cases_1_to_14_at_other_rates_live(rate_hz: int) -> None:
    checks = tech_3341(rate_hz, rate_hz // TICKS_PER_SECOND)
    if rate_hz != 44_100:
        checks = [check for check in checks if check.name.split(",")[0].removeprefix("case ") in SHORT_CASES]
    hold_all(checks)


def test_every_case_that_can_be_made_is_here() -> None:
    checks = by_source([*loudness.CHECKS, *true_peak.CHECKS], TECH_3341)
    cases = {int(check.source.rpartition(" ")[2]) for check in checks}
    # Cases 7 and 8 are authentic programme whose audio may not be shipped.
    assert cases == set(range(1, 24)) - {7, 8}
