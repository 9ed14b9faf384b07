"""RMS level against AES17 and EBU R 68, crest factors against closed forms."""

from __future__ import annotations

from meter.selftest.level import AES17, CHECKS, CREST, R68
from tests.support.published import by_source, hold_all


def test_aes17_level() -> None:
    hold_all(by_source(CHECKS, AES17))


def test_r_68_alignment() -> None:
    hold_all(by_source(CHECKS, R68))


def test_crest_factors() -> None:
    hold_all(by_source(CHECKS, CREST))


def test_range_of_a_quantiser() -> None:
    hold_all(by_source(CHECKS, "6.0206 N"))
