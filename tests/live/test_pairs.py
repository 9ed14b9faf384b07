"""Two stages on an 8-channel sink, heard by the engine: the same figures as the files, and a bypass that is found."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from dsp.core.types import FloatArray
from meter.audio.source import SourceRequest
from meter.builtin.stage.findings import FOUND, PairFindings
from meter.engine.process import EngineOrder
from meter.engine.supervisor import Supervisor
from meter.feeds import Pair, feed_map
from meter.stage.files import TwoSides, compare
from meter.stage.findings import StageFindings
from tests.live.conftest import started
from tests.live.server import Sink, SoundServer
from tests.live.test_engine import heard
from tests.support.stages import RATE_HZ, one_pole, phrases, static_gain_db, with_gain

pytestmark = pytest.mark.live
RACK = Sink("rack", channels=8, positions=tuple(f"aux{number}" for number in range(8)))
FEEDS = feed_map("rack", [3, 4], {}, {"bus": Pair((1, 2), (3, 4)), "colour": Pair((5, 6), (7, 8))}).columns()
LAG, MORE = 137, 64
FLIPPED_SECONDS, SECONDS = 9.1, 15.0


@pytest.fixture
def rack() -> Iterator[SoundServer]:
    yield from started(RACK)


def squeezed(sound: FloatArray) -> FloatArray:
    """3:1 over -30 dBFS, 5 ms and 80 ms, 4 dB of make-up."""
    level_db = 20.0 * np.log10(np.abs(sound).max(axis=1) + 1e-6)
    return with_gain(sound, 4.0 + one_pole(static_gain_db(level_db, -30.0, 3.0), 0.005, 0.080))


def stages() -> FloatArray:
    """``(frames, 8)``, the same every second: live the phrase begins a moment later.

    A squeeze that comes 137 samples late, whose bypass comes 64 later still; and a drive without delay. The first
    second, in which the squeeze sets in, is cut off.
    """
    bus, other = (np.tile(phrases(1.0, seed, 2), (round(SECONDS) + 1, 1)) for seed in (3, 4))
    late = np.roll(squeezed(bus), LAG, axis=0)
    at = round((FLIPPED_SECONDS + 1.0) * RATE_HZ)
    late[at:] = np.roll(bus, LAG + MORE, axis=0)[at:]
    return np.hstack([bus, late, other, np.tanh(2.0 * other) / 1.6])[RATE_HZ:]


def files(sound: FloatArray, pair: int, seconds: float) -> StageFindings:
    """As many seconds of a pair as two files."""
    of_pair = sound[: round(seconds * RATE_HZ), 4 * pair : 4 * pair + 4].astype(np.float32)
    return compare(TwoSides(RATE_HZ, of_pair[:, :2], of_pair[:, 2:]))


def expect_alike(found: StageFindings, expected: StageFindings) -> None:
    assert found.lag_samples == pytest.approx(expected.lag_samples, abs=0.1)
    # In blocks of 0.7 s, which lie elsewhere live.
    assert found.added_db == pytest.approx(expected.added_db, abs=0.5)
    for name in ("loudness_change_lu", "low_change_db", "true_peak_change_db", "trim_db"):
        assert getattr(found, name) == pytest.approx(getattr(expected, name), abs=0.2), name
    for name in ("median_db", "p90_db", "make_up_db"):
        assert getattr(found.squeeze, name) == pytest.approx(getattr(expected.squeeze, name), abs=0.2), name
    assert found.verdict == expected.verdict


def test_two_stages_read_as_their_files_and_a_bypass_with_more_delay_is_found(rack: SoundServer) -> None:
    sound = stages()
    supervisor = Supervisor(
        EngineOrder(SourceRequest("monitor", RACK.monitor, {"channels": list(range(1, 9))}), FEEDS)
    )
    seen: list[tuple[float, PairFindings, PairFindings]] = []
    began: list[float] = []

    def watch(frame) -> bool:
        now = frame.status.elapsed_seconds
        if not began and (frame.vector("stage.level") > -60.0).all():
            began.append(now)
        if began and {"stage.pair", "stage_2.pair"} <= set(frame.findings):
            seen.append((now - began[0], frame.findings["stage.pair"], frame.findings["stage_2.pair"]))
        return bool(began) and now - began[0] > SECONDS - 1.0

    try:
        heard(supervisor, lambda frame: frame.status.state == "running")
        feeder = rack.play(RACK, sound.astype(np.float32))
        frame = heard(supervisor, watch, seconds=60.0)
        feeder.stop()
    finally:
        supervisor.close()
    assert frame.status.lost_frames == 0
    assert not {"stage", "stage_2"} & set(frame.status.quarantined)
    for place in (1, 2):
        assert next(each[0] for each in seen if each[place].state == FOUND) < 3.0
    before = [bus for _, bus, _ in seen if bus.stage is not None and round(bus.stage.lag_samples) == LAG]
    after = [(at, bus) for at, bus, _ in seen if bus.stage is not None and round(bus.stage.lag_samples) == LAG + MORE]
    assert before[-1].stage is not None
    expect_alike(before[-1].stage, files(sound, 0, before[-1].stage.seconds))
    assert seen[-1][2].stage is not None
    expect_alike(seen[-1][2].stage, files(sound, 1, seen[-1][2].stage.seconds))
    assert after[0][0] < FLIPPED_SECONDS + 3.0
    for _, bus in after:
        assert bus.stage is not None
        assert not bus.stage.squeeze.max_db > 0.1
        assert f"moved from {LAG} to {LAG + MORE} samples" in " ".join(bus.notes)
    assert {None if bus.stage is None else round(bus.stage.lag_samples) for _, bus, _ in seen} == {
        None,
        LAG,
        LAG + MORE,
    }
