"""Figures of tapers and levels of the live spectrum, against closed forms, a survey and class 1 filters."""

from __future__ import annotations

from meter.selftest.spectrum import CHECKS
from tests.support.published import hold_all


def test_published() -> None:
    hold_all(CHECKS)
