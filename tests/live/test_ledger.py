"""The exposure ledger on real sound: a calibrated output through the engine process, killed in the middle."""

from __future__ import annotations

import math
import os
import signal
import time
from pathlib import Path

import numpy as np
import pytest

from dsp.core.signals import tone
from meter.audio.source import SourceRequest
from meter.engine.process import EngineOrder
from meter.engine.supervisor import Supervisor
from meter.logbook.clock import SittingClock
from meter.logbook.exposure_record import ExposureRecord
from meter.logbook.store import open_store
from tests.live.conftest import FRONT
from tests.live.server import SoundServer
from tests.live.test_engine import heard
from tests.support.ledgers import ME, seconds_of

pytestmark = pytest.mark.live
RATE_HZ = 48_000
CALIBRATED = {"listening": {"calibrated": True, "offset_db": 100.0}}
LEVEL_DBA = 100.0 - 20.0 + 10.0 * math.log10(2.0)
"""A tone of -20 dBFS on each of two sides, added up in power."""

MOST_LOST_SECONDS = 5


def noted(path: Path) -> dict[int, float]:
    ledger = ExposureRecord(open_store(path), SittingClock())
    found = seconds_of(ledger)
    ledger.close()
    return found


def test_a_killed_engine_loses_five_seconds_at_most_and_the_next_counts_on(
    server: SoundServer, tmp_path: Path
) -> None:
    path = tmp_path / "data" / "logbook.sqlite3"
    order = EngineOrder(SourceRequest("monitor", FRONT.monitor), settings=CALIBRATED, logbook=str(path))
    supervisor = Supervisor(order)
    feeder = server.play(FRONT, tone(997.0, -20.0, 60.0, RATE_HZ, 2).astype(np.float32))
    try:
        first = heard(supervisor, lambda frame: frame.status.frames > 9 * RATE_HZ)
        assert first.number("listening.share") > 0.0
        assert supervisor.engine_pid is not None
        os.kill(supervisor.engine_pid, signal.SIGKILL)
        killed_at = time.time()
        before = noted(path)  # the next engine begins at the next poll, and may note the very second of the kill
        again = heard(
            supervisor,
            lambda frame: (
                supervisor.restarts == 1 and frame.number("listening.share") > first.number("listening.share")
            ),
        )
        heard(supervisor, lambda frame: frame.status.frames > again.status.frames + 6 * RATE_HZ)
    finally:
        supervisor.close()
        feeder.stop()
    assert again.number("loudness.measured") >= 9.0 - MOST_LOST_SECONDS, "what was measured before goes on"
    assert again.number("loudness.integrated") == pytest.approx(-20.0, abs=0.1)
    assert again.status.gaps == 1
    assert again.number("listening.share_today") == again.number("listening.share_week")
    seconds = noted(path)
    assert killed_at - max(before) <= MOST_LOST_SECONDS + 1
    assert len(before) == max(before) - min(before) + 1, "no hole"
    assert len(seconds) - len(before) >= 5, "the second engine noted too"
    levels = np.array(list(seconds.values()))
    assert np.median(levels) == pytest.approx(LEVEL_DBA, abs=0.1)
    assert path.stat().st_mode & 0o777 == 0o600


def test_a_window_that_closes_ends_its_sitting_in_good_order(server: SoundServer, tmp_path: Path) -> None:
    path = tmp_path / "data" / "logbook.sqlite3"
    order = EngineOrder(SourceRequest("monitor", FRONT.monitor), settings=CALIBRATED, logbook=str(path))
    supervisor = Supervisor(order)
    feeder = server.play(FRONT, tone(997.0, -20.0, 30.0, RATE_HZ, 2).astype(np.float32))
    heard(supervisor, lambda frame: frame.status.frames > 4 * RATE_HZ)
    closed_at = time.time()
    supervisor.close()
    feeder.stop()
    store = open_store(path)
    (farewell,) = store.connection.execute("SELECT farewell FROM sitting WHERE person = ?", (ME,)).fetchone()
    store.connection.close()
    assert farewell == 1
    assert closed_at - max(noted(path)) < 3.0, "written to the last second"
