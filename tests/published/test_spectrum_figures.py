"""Figures of tapers and levels of the live spectrum, against closed forms, a survey and class 1 filters."""

from __future__ import annotations

import pytest

from meter.selftest.checks import Check
from meter.selftest.spectrum import CHECKS
from tests.support.published import hold, name_of


@pytest.mark.parametrize("check", CHECKS, ids=name_of)
def test_published(check: Check) -> None:
    hold(check)
