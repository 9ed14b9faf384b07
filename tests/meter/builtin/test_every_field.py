"""Each meter writes all its fields at every read: before any sound, after some, and after a gap."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from meter.plugin.host import discover, usable
from tests.support.low_session import FEEDS, session
from tests.support.processors import Processor

RATE_HZ = 48_000
UNWRITTEN = 12_345.0
BY_THE_CHAIN = ("to_loudness", "to_loudness_mark", "short_to_loudness")
"""Peak to loudness is of two meters; the chain computes it."""


def unwritten(readings: dict[str, Any]) -> list[str]:
    return [
        key for key, value in readings.items() if (np.asarray(value) == UNWRITTEN).any() and key not in BY_THE_CHAIN
    ]


@pytest.mark.parametrize("feeds", [{}, FEEDS], ids=["the mix alone", "parts"])
@pytest.mark.parametrize("meter_id", [plugin.id for plugin in usable(discover())])
def test_every_field_is_written_at_every_read(meter_id: str, feeds: dict[str, tuple[int, ...]]) -> None:
    processor = Processor(meter_id, RATE_HZ, 8 if feeds else 2, feeds)
    assert unwritten(processor.read(UNWRITTEN)) == []
    processor.feed(session(6.0)[:RATE_HZ, : 8 if feeds else 2].copy(), (4800,))
    assert unwritten(processor.read(UNWRITTEN)) == []
    processor.skip(1.0)
    assert unwritten(processor.read(UNWRITTEN)) == []
