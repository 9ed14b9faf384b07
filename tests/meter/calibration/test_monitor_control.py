"""The offset follows the monitor control: measured, by name, or by a typed change; never from nothing."""

from __future__ import annotations

import pytest

from meter.calibration.monitor_control import TURN_DOUBT_DB, seat_at, state_words, typed_change, typed_name
from meter.settings import HEADPHONES, LOUDSPEAKERS, Calibration, MonitorSetting, MonitorState, Settings

SOURCE = "monitor:Studio Out"


def calibration(offset_db=100.0, setting="full", **more):
    plain = {"measured_on": "2026-11-24", "typed_db": 80.0, "weighting": "C", "noise": "band", "doubt_db": 3.0}
    return Calibration(source=SOURCE, offset_db=offset_db, setting=setting, **(plain | more))


def at(setting, *kept, heard_on=LOUDSPEAKERS, own=()):
    settings = Settings(calibrations=list(kept), monitor_settings=list(own))
    return seat_at(settings, MonitorState(SOURCE, heard_on, setting))


def test_the_setting_that_was_calibrated():
    seat = at("full", calibration())
    assert (seat.offset_db, seat.doubt_db, seat.words) == (100.0, 3.0, "loudspeakers")


@pytest.mark.parametrize(("setting", "offset_db"), [("−10", 90.0), ("−20", 80.0)])
def test_a_named_turn_moves_the_offset_and_widens_the_doubt(setting, offset_db):
    seat = at(setting, calibration())
    assert (seat.offset_db, seat.doubt_db) == (offset_db, 3.0 + TURN_DOUBT_DB)
    assert seat.words == f"loudspeakers at {setting}"


def test_turned_back_up_from_where_it_was_calibrated():
    assert at("full", calibration(80.0, "−20")).offset_db == 100.0


def test_a_setting_measured_itself_goes_before_its_name():
    seat = at("−10", calibration(), calibration(91.3, "−10"))
    assert (seat.offset_db, seat.doubt_db) == (91.3, 3.0)


def test_the_nearest_measured_setting_is_taken():
    own = MonitorSetting(SOURCE, LOUDSPEAKERS, "night", -23.0)
    seat = at("night", calibration(), calibration(79.0, "−20"), own=[own])
    assert (seat.offset_db, seat.doubt_db) == (76.0, 5.0)
    assert seat.made_from.setting == "−20"


def test_without_a_calibration_of_this_source_and_ear_there_is_nothing():
    assert at("full") is None
    assert at("full", calibration(), heard_on=HEADPHONES) is None
    assert at("nowhere", calibration()) is None
    elsewhere = Settings(calibrations=[calibration()])
    assert seat_at(elsewhere, MonitorState("monitor:Other")) is None
    assert at("nowhere", calibration(setting="nowhere")).offset_db == 100.0


def test_an_own_setting_of_another_source_says_nothing_here():
    assert at("night", calibration(), own=[MonitorSetting("monitor:Other", LOUDSPEAKERS, "night", -23.0)]) is None


def test_an_offset_that_the_meter_would_not_take_is_none():
    own = MonitorSetting(SOURCE, LOUDSPEAKERS, "off", -80.0)
    assert at("off", calibration(70.0), own=[own]) is None


@pytest.mark.parametrize(("text", "change"), [("-6", -6.0), ("−6,5 dB", -6.5), ("+3", 3.0), ("0", 0.0)])
def test_typed_changes(text, change):
    assert typed_change(text) == change


@pytest.mark.parametrize("text", ["", "down", "-81", "21", "nan", "inf"])
def test_a_change_that_cannot_be_is_one_sentence(text):
    with pytest.raises(ValueError, match="from −80 to \\+20 dB"):
        typed_change(text)


def test_typed_names():
    assert typed_name("  late   night ") == "late night"
    for text in ("", "   ", "x" * 25):
        with pytest.raises(ValueError, match="at most 24 letters"):
            typed_name(text)


def test_words():
    assert state_words(MonitorState(SOURCE)) == "loudspeakers"
    assert state_words(MonitorState(SOURCE, HEADPHONES, "−10")) == "headphones at −10"
