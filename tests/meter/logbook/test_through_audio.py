"""Printed results reached from sound: noise of known level, calibrated, through the listening meter into the ledger.

Hours pass as fast as the machine computes: the clocks are the test's, the sound's time is its count of frames.
Sources: British guidance L108, Appendix 3; British guidance for music; 29 CFR 1910.95, Table G-16.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from dsp.core.signals import pink_noise
from meter.engine.recorder import Recorder
from meter.exposure_rules import load_rules
from meter.logbook.exposure_recorder import ExposureRecorder
from meter.logbook.exposure_summary import Summary
from meter.logbook.store import open_store
from tests.support.ledgers import EU_UPPER, HOUR, NOON, OSHA, Desk, DirectLine, FakeTime
from tests.support.processors import Processor

RATE_HZ = 4000
"""The level is what counts here; the weightings are tested elsewhere at every usual rate."""

NOISE_DBFS = -20.0
READ_BY_THE_METER_DBA = 85.0
TILE_SECONDS = 60


class Seat:
    """A calibrated feed: noise in, the meter read each second, a ledger on disk."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.time = FakeTime(NOON - 12 * HOUR)
        clock = self.time.clock()
        self.noise = pink_noise(np.random.default_rng(8), NOISE_DBFS, TILE_SECONDS, RATE_HZ, 1)
        self.recorder = Recorder(
            DirectLine(ExposureRecorder(partial(open_store, folder / "data" / "logbook.sqlite3"), clock)), clock
        )
        rule = next(iter(load_rules().values()))
        self.meter = Processor(
            "listening",
            RATE_HZ,
            1,
            calibrated=True,
            offset_db=READ_BY_THE_METER_DBA - self.level_dbfs(),
            **rule.settings,
        )
        self.recorder.configure("listening", self.meter.manifest.settings(rule.settings))

    def level_dbfs(self) -> float:
        """What the noise reads in dBFS(A) while a sound level meter at the seat shows 85 dB(A): a calibration."""
        feed = Processor("listening", RATE_HZ, 1, calibrated=True)
        feed.feed(self.noise, (RATE_HZ,))
        return float(feed.read()["seat_minute"])

    def play(self, level_dba: float, hours: float) -> None:
        """The same noise, louder or softer."""
        louder = self.noise * 10.0 ** ((level_dba - READ_BY_THE_METER_DBA) / 20.0)
        for second in range(round(hours * HOUR)):
            start = second % TILE_SECONDS * RATE_HZ
            self.meter.meter.process(louder[start : start + RATE_HZ])
            self.time.go(1)
            self.meter.read()
            self.recorder.attend(self.meter._layout, self.meter._values, "device", "running")

    def summary(self, rule) -> Summary:
        self.recorder.close()
        reader = Desk(self.folder, self.time, begin=False)
        found = reader.summary(rule)
        reader.ledger.close()
        return found


@pytest.fixture
def seat(tmp_path: Path) -> Iterator[Seat]:
    used = Seat(tmp_path)
    yield used
    used.recorder.close()


def test_l108_95_db_for_45_minutes_are_94_points(seat: Seat) -> None:
    seat.play(95.0, 0.75)
    summary = seat.summary(EU_UPPER)
    # 93.75 points, printed 94; its daily level 84.72, printed 85 dB.
    assert summary.share_today == pytest.approx(94.0, abs=0.6)
    assert summary.level_8h_today_dba == pytest.approx(84.72, abs=0.02)
    assert summary.hours_today == pytest.approx(0.75, abs=2 / HOUR)


def test_guidance_for_music_105_db_for_5_minutes_are_94_db_for_an_hour(tmp_path: Path) -> None:
    loud, long = Seat(tmp_path / "loud"), Seat(tmp_path / "long")
    loud.play(105.0, 5 / 60)
    long.play(94.0, 1.0)
    both = [seat.summary(EU_UPPER).level_8h_today_dba for seat in (loud, long)]
    assert both == [pytest.approx(85.18, abs=0.02), pytest.approx(84.97, abs=0.02)]
    assert both[0] == pytest.approx(both[1], abs=0.25), "as near as whole minutes allow"


def test_table_g16_half_an_hour_at_110_db_is_the_whole_allowance(seat: Seat) -> None:
    seat.play(110.0, 0.5)
    summary = seat.summary(OSHA)
    assert summary.share_today == pytest.approx(100.0, abs=0.5)
    assert summary.time_left_minute * 60 < 0.2
    assert summary.twa_dba == pytest.approx(90.0, abs=0.05)
