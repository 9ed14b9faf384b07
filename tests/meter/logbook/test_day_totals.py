"""Totals of a recorded stretch against closed forms: gating of BS.1770-5, equal energy of an exposure rule."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from dsp.exposure.exposure import Rule
from dsp.loudness.gating import LoudnessHistogram, energy_of, integrated_loudness, integrated_of_blocks
from meter.logbook.day_totals import feed_totals, gaps, seat_totals
from meter.logbook.recorded_day import Event, read
from tests.support.recorded import KEYS, MORNING, DayFile, figures_of_a_mix

NIOSH = Rule("85 dB(A), 8 h, 3 dB", 85.0, 8.0, "day", 3.0)
"""NIOSH 98-126 (1998), 1.1: 85 dB(A) for 8 hours, the time halves with every 3 dB."""


def test_blocks_below_the_relative_gate_do_not_count() -> None:
    # BS.1770-5 Annex 1: the mean of -20 and of ten times as many blocks at -36 is -27.2; the gate is at -37.2, so all
    # count. At -60 they lie below it, and the mean is that of the loud ones.
    loud, soft = np.full(100, -20.0), np.full(1000, -36.0)
    mean = 10.0 * math.log10((100 * 10.0**-2.0 + 1000 * 10.0**-3.6) / 1100)
    assert integrated_of_blocks(np.concatenate([loud, soft])) == pytest.approx(mean, abs=1e-9)
    assert integrated_of_blocks(np.concatenate([loud, soft - 24.0])) == pytest.approx(-20.0, abs=1e-9)


def test_blocks_below_the_absolute_gate_and_missing_ones_do_not_count() -> None:
    assert integrated_of_blocks(np.array([-23.0, -70.1, -np.inf, np.nan])) == pytest.approx(-23.0, abs=1e-9)
    assert integrated_of_blocks(np.array([-71.0, -np.inf, np.nan])) == -math.inf
    assert math.isnan(integrated_of_blocks(np.array([np.nan])))
    assert math.isnan(integrated_of_blocks(np.array([])))


def test_gating_without_bins_agrees_with_the_meters_own() -> None:
    # The meter takes or leaves the bin of 0.05 LU that the gate cuts.
    blocks = np.random.default_rng(3).normal(-20.0, 8.0, 36_000)
    binned = LoudnessHistogram()
    binned.add(np.array([energy_of(block) for block in blocks]))
    assert integrated_of_blocks(blocks) == pytest.approx(integrated_loudness(binned), abs=0.01)


def test_totals_of_a_feed_name_its_figures_but_not_the_blocks(tmp_path: Path) -> None:
    file = DayFile(tmp_path / "day.sqlite3")
    figures = figures_of_a_mix(50)
    figures[:, 2:12] = -23.0
    figures[:, 14] = [math.nan, *np.linspace(-1.0, 1.0, 49)]
    file.seconds(file.series(file.segment()), MORNING + np.arange(50), figures)
    totals = feed_totals("mix", read(file.path).feeds["mix"])
    assert totals.seconds == 50
    assert totals.integrated_lufs == pytest.approx(-23.0, abs=1e-6)
    found = {figure.key: figure for figure in totals.figures}
    assert list(found) == [key for key, _, _ in KEYS if key != "loudness.blocks"]
    correlation = found["stereo.correlation"]
    assert (correlation.least, correlation.middle, correlation.most) == pytest.approx((-1.0, 0.0, 1.0), abs=1e-6)


def test_listening_adds_up_to_the_share_of_a_rule(tmp_path: Path) -> None:
    # One hour at 85 and one at 94 dB(A): 1/8 and 1 of the allowance.
    file = DayFile(tmp_path / "day.sqlite3")
    keys = (("listening.seat_second", "dB(A)", 1),)
    levels = np.concatenate([np.full(3600, 85.0), np.full(600, np.nan), np.full(3600, 94.0)])
    file.seconds(
        file.series(file.segment(), keys=keys), MORNING + np.arange(7800), levels[:, None].astype(np.float32)
    )
    seat = seat_totals(read(file.path), NIOSH)
    assert seat.share_percent == pytest.approx(112.5, abs=1e-6)
    assert seat.hours == 2.0
    assert seat.level_dba == pytest.approx(10.0 * math.log10((10.0**8.5 + 10.0**9.4) / 2.0), abs=1e-6)


def test_without_a_calibration_there_is_no_share(tmp_path: Path) -> None:
    file = DayFile(tmp_path / "day.sqlite3")
    keys = (("listening.seat_second", "dB(A)", 1),)
    file.seconds(file.series(file.segment(), keys=keys), [MORNING], np.array([[np.nan]], dtype=np.float32))
    for seat in (seat_totals(read(file.path), NIOSH), seat_totals(read([]), NIOSH)):
        assert seat.hours == 0.0
        assert math.isnan(seat.level_dba)
        assert math.isnan(seat.share_percent)


def test_gaps_are_counted_with_their_seconds() -> None:
    events = [Event(1.0, "gap", "", seconds=0.25), Event(2.0, "mark", "m"), Event(3.0, "gap", "", seconds=2.5)]
    assert gaps(events) == (2, 2.75)
