"""Note names and frequencies, A4 = 440 Hz (ISO 16)."""

from __future__ import annotations

import pytest

from meter.selftest.checks import Check
from meter.selftest.pitch import CHECKS
from tests.support.published import hold, name_of


@pytest.mark.parametrize("check", CHECKS, ids=name_of)
def test_published(check: Check) -> None:
    hold(check)
