"""What is kept between two reads is what a first read would give: after sound, a gap, a setting, a mark, a reset."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from dsp.core.types import FloatArray
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.plugin.api import Setting
from meter.plugin.host import discover, usable
from meter.plugin.manifest import PAIR_FEEDS
from tests.support.low_session import CHANNELS, FEEDS, session

RATE_HZ = 48_000
STRETCH = RATE_HZ // 2
"""Whole hops of the low end, five by five: its figures are computed that often and cached in between."""
BITES = (960, 480, 1117, 2048)
ROUNDING = 1e-9
"""A read feeds a meter what is gathered for it, so sums are split elsewhere."""

SETTINGS: dict[str, dict[str, Setting]] = {
    "vu": {"alignment_dbfs": -20.0, "movement": "ppm_1"},
    "peaks": {"hold_seconds": 1.0},
    "spectrum": {"speed": "quick"},
    "loudness": {"running": False},
    "listening": {"calibrated": True, "offset_db": 90.0},
    "low_end": {"span": "marked", "tempo_bpm": 120.0, "part": "keys", "cutoff_hz": 40.0},
}

Life = Callable[[Chain], object]


def sound(number: int) -> FloatArray:
    """One stretch; the next goes on where it ends."""
    return 0.9 * session(6.0)[number * STRETCH : (number + 1) * STRETCH]


def play(chain: Chain, block: FloatArray, read_often: bool) -> None:
    start, turn = 0, 0
    while start < len(block):
        bite = block[start : start + BITES[turn % len(BITES)]]
        chain.process(bite)
        start, turn = start + len(bite), turn + 1
        if read_often:
            chain.read()


def set_all(chain: Chain) -> None:
    for meter_id, settings in SETTINGS.items():
        chain.configure(meter_id, settings)


LIFE: tuple[int | Life, ...] = (
    0, 1, lambda chain: chain.skip(7_000), 2, set_all, 3, lambda chain: chain.mark(), 4,
    lambda chain: chain.skip(90_000), 5, lambda chain: chain.reset(), 6,
)  # fmt: skip
"""Numbers are stretches of sound."""


def made() -> Chain:
    """All meters of these feeds; none of them is a pair."""
    plugins = [each for each in usable(discover()) if each.manifest is not None and each.manifest.feed != PAIR_FEEDS]
    return Chain([GuardedMeter(plugin) for plugin in plugins], RATE_HZ, CHANNELS, FEEDS)


def live(chain: Chain, events: Sequence[int | Life], read_often: bool) -> Chain:
    for event in events:
        if isinstance(event, int):
            play(chain, sound(event), read_often)
        else:
            event(chain)
        if read_often:
            chain.read()
    return chain


def test_a_read_does_not_depend_on_the_reads_before() -> None:
    """After each event of a life: a chain that is read all the time, and one that is read for the first time."""
    often = made()
    for count, event in enumerate(LIFE, start=1):
        found = live(often, [event], read_often=True).read()
        first = live(made(), LIFE[:count], read_often=False).read()
        assert not often.faults
        differ = [
            slot.key
            for slot in often.layout.slots
            if not np.allclose(
                found[slot.offset : slot.offset + slot.size],
                first[slot.offset : slot.offset + slot.size],
                rtol=ROUNDING,
                atol=ROUNDING,
                equal_nan=True,
            )
        ]
        assert differ == [], f"after event {count}"
        assert np.isfinite(found).sum() > 100


@pytest.mark.parametrize("key", ["peaks.true", "vu.now", "listening.feed_now", "low_end.heard", "stereo.balance_now"])
def test_the_readings_that_are_kept_move_with_the_sound(key: str) -> None:
    """Otherwise the check above would hold for a meter that stands still."""
    chain = live(made(), LIFE[:2], read_often=True)
    slot = chain.layout.by_key[key]
    before = chain.read()[slot.offset : slot.offset + slot.size].copy()
    for number in (2, 3):
        play(chain, sound(number), read_often=True)
    after = chain.read()[slot.offset : slot.offset + slot.size]
    assert not np.array_equal(before, after, equal_nan=True)
