"""The low end on real sound: a part on each pair of a 16-channel sink, heard by the engine, against the files."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from meter.audio.source import SourceRequest
from meter.engine.process import EngineOrder
from meter.engine.supervisor import Supervisor
from meter.feeds import feed_map
from meter.lowend.account import measure_low_end
from meter.lowend.findings import LowEndFindings
from meter.lowend.sources import from_array
from meter.readings import Frame
from tests.live.conftest import DESK
from tests.live.server import SoundServer
from tests.live.test_engine import heard
from tests.support.low_parts import cents
from tests.support.low_session import session

pytestmark = pytest.mark.live
RATE_HZ = 48_000
SECONDS = 30.0
PARTS = ("kick", "bass", "keys", "guitars", "voice", "more keys", "rest")
FEEDS = feed_map("desk", [1, 2], {name: [2 * n + 3, 2 * n + 4] for n, name in enumerate(PARTS)})


def desk() -> np.ndarray:
    """``(frames, 16)``: the mix and seven pairs, the mix their plain sum."""
    alone = session(SECONDS)
    kick, bass, keys, left, right, voice = (alone[:, column] for column in range(2, 8))
    pairs = [(kick, kick), (bass, bass), (keys, keys), (left, right), (voice, voice), (0.5 * keys, 0.4 * keys)]
    pairs.append((0.05 * bass, 0.05 * kick))
    parts = np.column_stack([channel for pair in pairs for channel in pair])
    mix = np.column_stack([parts[:, 0::2].sum(axis=1), parts[:, 1::2].sum(axis=1)])
    return np.hstack([mix, parts])


def account_of(signal: np.ndarray) -> LowEndFindings:
    parts = [from_array(name, signal[:, 2 * n + 2 : 2 * n + 4], RATE_HZ) for n, name in enumerate(PARTS)]
    return measure_low_end(parts, from_array("mix", signal[:, :2], RATE_HZ))


def full(seconds: float) -> Callable[[Frame], bool]:
    return lambda frame: frame.number("low_end.heard") >= seconds


def test_the_ledger_of_what_is_heard_is_the_ledger_of_the_files(server: SoundServer) -> None:
    signal = desk()
    request = SourceRequest("monitor", DESK.monitor, {"channels": list(range(1, 17))})
    order = EngineOrder(request, feeds=FEEDS.columns(), settings={"low_end": {"span": "sitting"}})
    supervisor = Supervisor(order)
    try:
        heard(supervisor, lambda frame: frame.status.state == "running")
        feeder = server.play(DESK, signal.astype(np.float32))
        frame = heard(supervisor, full(24.0), seconds=60.0)
        feeder.stop()
    finally:
        supervisor.close()
    account = account_of(signal)
    assert frame.parts == PARTS
    assert (frame.status.lost_frames, dict(frame.status.quarantined)) == (0, {})
    found = frame.findings["low_end.account"]
    assert isinstance(found, LowEndFindings)
    shares = frame.vector("low_end.share")
    np.testing.assert_allclose(shares, [part.share_percent for part in account.parts], atol=1.5)
    assert set(found.owners) == set(account.owners) == {"kick", "bass"}
    assert frame.number("low_end.mix_bus_difference") == pytest.approx(account.mix_bus_difference_db, abs=0.01)
    assert found.mono.culprit == account.mono.culprit == "guitars"
    for name in ("kick", "bass", "keys"):
        live, offline = found.part(name), account.part(name)
        assert abs(cents(live.floor_hz, offline.floor_hz)) < 10.0
        assert live.rumble_against_mix_lows_db == pytest.approx(offline.rumble_against_mix_lows_db, abs=0.5)
        assert live.tried_at_seconds > 0.0
    assert found.part("kick").ring_ms == pytest.approx(account.part("kick").ring_ms, rel=0.03)
    (ours,), (pair,) = found.pairs, account.pairs
    assert ours.gap_median_ms == pytest.approx(pair.gap_median_ms, abs=1.0)
    assert ours.sum_gain_db == pytest.approx(pair.sum_gain_db, abs=0.5)


def test_soloing_a_track_lights_its_channels_and_no_others(server: SoundServer) -> None:
    solo = np.zeros((6 * RATE_HZ, 16), dtype=np.float32)
    solo[:, 8:10] = session(SECONDS)[: len(solo), [5, 6]]
    request = SourceRequest("monitor", DESK.monitor, {"channels": list(range(1, 17))})
    supervisor = Supervisor(EngineOrder(request))
    try:
        heard(supervisor, lambda frame: frame.status.state == "running")
        feeder = server.play(DESK, solo)
        frame = heard(supervisor, lambda frame: bool((frame.vector("channels.level") > -40.0).any()))
        feeder.stop()
    finally:
        supervisor.close()
    assert np.flatnonzero(frame.vector("channels.level") > -60.0).tolist() == [8, 9]
    assert frame.layout.channel_names[8:10] == ("aux8", "aux9")
