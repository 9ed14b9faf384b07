"""Pairs of signals, folding, delays and sums: closed forms."""

from __future__ import annotations

from meter.selftest.stereo import CHECKS
from tests.support.published import hold_all


def test_published() -> None:
    hold_all(CHECKS)
