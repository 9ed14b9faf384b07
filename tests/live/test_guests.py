"""A meter by others that waits, on real sound: it is set aside, and the others go on."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from dsp.core.signals import tone
from meter.engine.process import EngineOrder
from meter.engine.supervisor import Supervisor
from tests.live.conftest import FRONT
from tests.live.server import SoundServer
from tests.live.test_engine import RATE_HZ, ROADS, heard
from tests.support.plugins import write_meter

pytestmark = pytest.mark.live
WAITS = {
    "asleep": "time.sleep(0.4)",
    "with the interpreter's lock": "import ctypes; ctypes.PyDLL(None).usleep(400_000)",
}


@pytest.mark.parametrize("road", ROADS)
@pytest.mark.parametrize("wait", WAITS)
def test_a_meter_that_waits_is_set_aside(
    server: SoundServer, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, road: str, wait: str
) -> None:
    monkeypatch.setenv("PULSE_SOURCE", FRONT.monitor)
    guest = write_meter(tmp_path / "slow", "slow", WAITS[wait])
    feeder = server.play(FRONT, tone(997.0, -20.0, 90.0, RATE_HZ, 2).astype(np.float32))
    supervisor = Supervisor(EngineOrder(ROADS[road], folders=(str(guest),)))
    try:
        heard(supervisor, lambda frame: "slow" in frame.status.quarantined, 45.0)
        assert supervisor.restarts == 0
        supervisor.reset()
        begun = heard(supervisor, lambda frame: 0 < frame.status.frames < RATE_HZ)
        heard(supervisor, lambda frame: frame.status.frames > begun.status.frames + 5 * RATE_HZ)
    finally:
        supervisor.close()
        feeder.stop()
