"""IEC 61260-1:2014: band frequencies, class 1 limits, effective bandwidth, summation; ISO 266 nominal names."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.spectrum.fractional_octaves import band, class_1_limits
from meter.selftest.bands import CHECKS, RATES_HZ, bank
from tests.support.published import by_source, hold_all

FREQUENCIES = by_source(
    CHECKS, "IEC 61260-1:2014 Formula", "IEC 61260-1:2014 Annex", "IEC 61260-1:2014 Table F.1", "ISO 266"
)
LIMITS = by_source(CHECKS, "IEC 61260-1:2014 Table 1, class 1", "IEC 61260-1:2014 5.")


def test_frequencies_and_names() -> None:
    hold_all(FREQUENCIES)


def test_class_1() -> None:
    hold_all(LIMITS)


def test_every_check_is_run() -> None:
    assert len(FREQUENCIES) + len(LIMITS) == len(CHECKS)


def test_the_limits_refuse_a_filter_of_four_poles() -> None:
    item = band(0, 3)
    ratio = np.geomspace(0.15, 6.0, 500)
    detuning = (ratio - 1.0 / ratio) * item.mid_hz / (item.high_hz - item.low_hz)
    attenuation_db = 10.0 * np.log10(1.0 + detuning**4)
    least, _ = class_1_limits(ratio, 3)
    assert (attenuation_db < least).any()


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_only_the_bands_that_44_100_hz_cannot_hold_are_missing(rate_hz: int) -> None:
    missing = 1 if rate_hz == 44_100 else 0
    assert len(bank(rate_hz, 1).bands) == 10 - missing
    assert len(bank(rate_hz, 3).bands) == 31 - missing
