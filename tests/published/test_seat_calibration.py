"""From noise and a typed level to a level at the seat, through the real listening meter, against closed forms.

Noise at -20 dBFS rms (AES17) that a sound level meter reads as 85 dB(C) from one loudspeaker, as in SMPTE RP 200:2012
as restated in public notes, fixes the path: ``seat = feed + 85 - (-20 + W)``, W being the level of the ideal noise
under the meter's weighting re unweighted (IEC 61672-1:2013, Annex E, integrated over 1/f). A 997 Hz tone lies within
0.01 dB of the weightings' 0 dB.
"""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pyloudnorm
import pytest

from dsp.core.signals import tone
from meter.calibration.noise import noise_loop
from meter.calibration.noise_check import BOTH, LEFT, RIGHT
from meter.calibration.session import SeatSession, Terms
from meter.settings import Calibration
from tests.support.processors import Processor

RATE_HZ = 48_000
IDEAL_DB = {("band", "A"): -0.16, ("band", "C"): -0.02, ("wide", "A"): -2.86, ("wide", "C"): -1.11}
STEP_FRAMES = RATE_HZ // 10


def listen(session: SeatSession, noise: str, side: str, gain_db: float = 0.0) -> None:
    """Seven seconds of one step as the dialog reads it: the real meter's readings, ten a second."""
    meter = Processor("listening", RATE_HZ)
    signal = noise_loop(noise, side)[: 7 * RATE_HZ] * 10.0 ** (gain_db / 20.0)
    session.feed.clear()
    for number in range(len(signal) // STEP_FRAMES):
        meter.feed(signal[number * STEP_FRAMES : (number + 1) * STEP_FRAMES], (480,))
        readings = meter.read()
        session.feed.add(number / 10.0, list(readings["feed_each"]), list(readings["feed_each_c"]))


def calibrate(noise: str, weighting: str, gain_db: float = 0.0, **typed: str) -> Calibration:
    session = SeatSession()
    for side in (LEFT, RIGHT, BOTH):
        if side in typed:
            listen(session, noise, side, gain_db)
            assert session.feed.remark(side, noise, -20.0 + gain_db) == ""
            session.take(side, typed[side], weighting)
    return session.calibration(Terms("monitor:Out", "full", noise, weighting, "class 1"), date(2026, 11, 25))


def seat_of(kept: Calibration, level_dbfs: float, sides: list[float]) -> float:
    """What the calibrated meter reads for a 997 Hz tone whose peak level is ``level_dbfs``."""
    meter = Processor("listening", RATE_HZ, calibrated=True, offset_db=kept.offset_db, doubt_db=kept.doubt_db)
    meter.feed(tone(997.0, level_dbfs, 2.0, RATE_HZ, 2) * sides, (480,))
    return float(meter.read()["seat_now"])


@pytest.mark.parametrize("weighting", ["A", "C"])
@pytest.mark.parametrize("noise", ["band", "wide"])
def test_85_db_typed_for_the_noise_makes_a_tone_read_what_the_closed_form_says(noise: str, weighting: str) -> None:
    kept = calibrate(noise, weighting, left="85", right="85", both="88")
    due = 85.0 - (-20.0 + IDEAL_DB[noise, weighting])
    assert kept.offset_db == pytest.approx(due, abs=0.15)
    assert kept.doubt_db == 3.0
    # One loudspeaker, then both with unrelated power: 3.01 dB more.
    assert seat_of(kept, -20.0, [1.0, 0.0]) == pytest.approx(-20.0 + due, abs=0.2)
    assert seat_of(kept, -35.0, [0.0, 1.0]) == pytest.approx(-35.0 + due, abs=0.2)
    assert seat_of(kept, -20.0, [1.0, 1.0]) == pytest.approx(-20.0 + due + 3.01, abs=0.2)


def test_noise_held_at_a_lower_level_gives_the_same_path() -> None:
    """The offset is a gain: 65 dB(C) for noise 20 dB lower is 85 dB(C) for the noise."""
    quiet, loud = (
        calibrate("band", "C", -20.0, left="65", right="65"), calibrate("band", "C", left="85", right="85"),
    )  # fmt: skip
    assert quiet.offset_db == pytest.approx(loud.offset_db, abs=0.02)


def test_a_c_reading_taken_as_an_a_reading_would_be_off_by_their_difference() -> None:
    """Why weightings are kept apart: wide pink noise reads 1.75 dB less in A than in C."""
    a, c = (calibrate("wide", weighting, left="85", right="85").offset_db for weighting in ("A", "C"))
    assert a - c == pytest.approx(2.86 - 1.11, abs=0.1)


@pytest.mark.parametrize("noise", ["band", "wide"])
def test_both_loudspeakers_read_three_decibels_more_than_one(noise: str) -> None:
    """The check of the guided calibration on its own noise: two unrelated equal powers, +3.01 dB."""
    session = SeatSession()
    for side, typed in ((LEFT, "82"), (RIGHT, "82"), (BOTH, "85")):
        listen(session, noise, side)
        session.take(side, typed, "C")
    assert session.result.expected_both_db == pytest.approx(85.01, abs=0.1)
    assert abs(session.result.check_db) < 0.1


def test_the_band_noise_reads_0_46_lu_over_its_level() -> None:
    """Mono pink noise of 500 to 2000 Hz at R dB re 1 reads R + 0.464 LUFS.

    That is the K-weighting of ITU-R BS.1770 integrated over 1/f. Read by pyloudnorm, whose filters are its own.
    """
    left = noise_loop("band", "left")[:, :1]
    loudness = pyloudnorm.Meter(RATE_HZ).integrated_loudness(left)
    assert loudness == pytest.approx(-23.01 + 0.464, abs=0.1)
    assert 10.0 * math.log10(np.mean(left**2)) == pytest.approx(-23.0103, abs=1e-4)
