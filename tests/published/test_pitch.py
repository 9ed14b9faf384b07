"""Note names and frequencies, A4 = 440 Hz (ISO 16)."""

from __future__ import annotations

from meter.selftest.pitch import CHECKS
from tests.support.published import hold_all


def test_published() -> None:
    hold_all(CHECKS)
