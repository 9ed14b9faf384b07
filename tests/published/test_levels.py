"""RMS level against AES17 and EBU R 68, crest factors against closed forms."""

from __future__ import annotations

import pytest

from meter.selftest.checks import Check
from meter.selftest.level import AES17, CHECKS, CREST, R68
from tests.support.published import by_source, hold, name_of


@pytest.mark.parametrize("check", by_source(CHECKS, AES17), ids=name_of)
def test_aes17_level(check: Check) -> None:
    hold(check)


@pytest.mark.parametrize("check", by_source(CHECKS, R68), ids=name_of)
def test_r_68_alignment(check: Check) -> None:
    hold(check)


@pytest.mark.parametrize("check", by_source(CHECKS, CREST), ids=name_of)
def test_crest_factors(check: Check) -> None:
    hold(check)


@pytest.mark.parametrize("check", by_source(CHECKS, "6.0206 N"), ids=name_of)
def test_range_of_a_quantiser(check: Check) -> None:
    hold(check)
