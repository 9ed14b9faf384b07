"""A night in one gap: what a meter says after it is what many short gaps give, without their time and memory."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.plugin.host import discover, usable
from meter.readings import Frame
from tests.support.low_session import session

RATE_HZ = 48_000
FEEDS = {"mix": (0, 1), "part kick": (2,), "part bass": (3,)}
NIGHT_SECONDS = 10 * 3600
MOST_BYTES = 64_000_000
"""A tenth of what the whole engine takes."""
OURS = [plugin.id for plugin in usable(discover())]


def chain_of(*ids: str) -> Chain:
    plugins = [plugin for plugin in usable(discover()) if plugin.id in ids]
    return Chain([GuardedMeter(plugin) for plugin in plugins], RATE_HZ, 4, FEEDS)


def play(chain: Chain, seconds: float) -> None:
    wave = session(seconds)[:, :2]
    chain.process(np.ascontiguousarray(np.column_stack([wave, wave])))


@pytest.mark.parametrize("sound", [0.0, 0.3])
@pytest.mark.parametrize("meter_id", ["vu", "listening", "loudness"])
def test_an_hour_in_one_gap_is_an_hour_of_short_gaps(meter_id: str, sound: float) -> None:
    """The gap begins where the sound is: ``sound`` seconds into a second, and it ends within another one."""
    frames = 3600 * RATE_HZ + 12_345
    found = []
    for sizes in ((frames,), (RATE_HZ + 77,) * (frames // (RATE_HZ + 77)) + (frames % (RATE_HZ + 77),)):
        chain = chain_of(meter_id)
        chain.configure("listening", {"calibrated": True, "offset_db": 100.0}) if meter_id == "listening" else None
        play(chain, 4.0 + sound)
        for size in sizes:
            chain.skip(size)
        play(chain, 2.0)
        found.append(Frame(chain.layout, chain.read().copy()))
        assert chain.faults == {}
    for slot in found[0].layout.slots:
        np.testing.assert_allclose(
            found[0].vector(slot.key), found[1].vector(slot.key), rtol=1e-9, atol=1e-6, err_msg=slot.key
        )


@pytest.mark.parametrize("meter_id", OURS)
def test_a_night_in_one_gap_takes_little_memory(meter_id: str) -> None:
    chain = chain_of(meter_id)
    play(chain, 1.0)
    tracemalloc.start()
    chain.skip(NIGHT_SECONDS * RATE_HZ)
    chain.read()
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert chain.faults == {}
    assert most < MOST_BYTES
