"""Peak programme movements against IEC 60268-10 (1991)."""

from __future__ import annotations

from functools import partial

import pytest

from dsp.core.signals import burst, tone
from dsp.core.units import amplitude_to_db
from dsp.level.ballistics import PeakProgramme
from meter.selftest.checks import Check
from meter.selftest.movement import CHECKS, PPM_BURSTS, PPM_STANDARD
from tests.support.published import by_source, hold_all

PPM_CHECKS = by_source(CHECKS, PPM_STANDARD)
MAKERS = {"I": PeakProgramme.type_1, "II": PeakProgramme.type_2}


def test_table_of_tone_bursts() -> None:
    hold_all([check for check in PPM_CHECKS if "burst" in check.name])


def test_integration_time() -> None:
    hold_all(by_source(CHECKS, "EBU Tech 3205-E"))


def test_return_time() -> None:
    hold_all([check for check in PPM_CHECKS if "return" in check.name])


def test_a_steady_sine_reads_its_peak() -> None:
    hold_all([check for check in PPM_CHECKS if "steady" in check.name])


@pytest.mark.parametrize("rate_hz", [44_100, 88_200, 96_000, 176_400, 192_000])
@pytest.mark.parametrize("kind", ["I", "II"])
def test_table_of_tone_bursts_at_every_rate(kind: str, rate_hz: int) -> None:
    steady = MAKERS[kind](rate_hz, 1).process(tone(5000.0, 0.0, 0.3, rate_hz))[-rate_hz // 50 :].max()
    checks = []
    for seconds, nominal, limit in PPM_BURSTS[kind]:
        highest = MAKERS[kind](rate_hz, 1).process(burst(5000.0, 0.0, seconds, rate_hz)).max()
        over_steady_db = partial(amplitude_to_db, float(highest / steady))
        checks.append(Check(f"{kind}, {seconds} s", PPM_STANDARD, nominal, "dB", limit, limit, over_steady_db))
    hold_all(checks)


def test_type_1_meets_all_its_bursts_with_half_of_the_limit_to_spare() -> None:
    """One time constant for all bursts: shorter ones read the long bursts high, longer ones the short ones low."""
    bursts = [check for check in PPM_CHECKS if "type I: burst" in check.name]
    assert bursts
    for check in bursts:
        assert abs(check.measure() - check.expected) < 0.5 * check.plus, check.name
