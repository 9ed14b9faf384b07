"""The guided calibration: a side at a time against steady noise, one clear sentence for everything that is wrong."""

from __future__ import annotations

import math
import sys
from datetime import date

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFileDialog

from meter.calibration.level_at_seat import weighted_db
from meter.gui.calibration.dialog import CalibrationDialog
from meter.gui.calibration.pages import BY_PROGRAM
from meter.settings import HEADPHONES, LOUDSPEAKERS, Calibration, MonitorState
from tests.support import fake_noise
from tests.support.frames import frame, status
from tests.support.frames import layout as layout_of

DAY = date(2026, 11, 25)
SOURCE = "monitor:Studio Out"
NAMES = {LOUDSPEAKERS: ("full", "−10", "−20", "late"), HEADPHONES: ("full", "−10", "−20")}
SILENT = -math.inf


class Written:
    def __init__(self, answer=""):
        self.answer = answer
        self.calls = []

    def __call__(self, folder, kind):
        self.calls.append((folder, kind))
        return self.answer


@pytest.fixture
def dialog(qtbot, tmp_path):
    command = [sys.executable, fake_noise.__file__, str(tmp_path / "log")]
    made = CalibrationDialog(Written(), command, today=lambda: DAY, meter_id="listening")
    qtbot.addWidget(made)
    made.bring_up(MonitorState(SOURCE), NAMES, frozenset())
    made.log = tmp_path / "log"
    made.now = 100.0
    yield made
    made.shut_down()


def play(dialog, left, right=SILENT, noise="band", seconds=6.0, channels=2, **feed):
    """Noise at these levels in dBFS rms per channel, read as the listening meter reads it."""
    levels = [left, right][:channels]
    weighted = {
        key: [level + weighted_db(noise, weighting) for level in levels]
        for key, weighting in zip(("listening.feed_each", "listening.feed_each_c"), "AC", strict=True)
    }
    plan = layout_of(channels)
    for _ in range(int(seconds * 20)):
        dialog.now += 0.05
        now = status(dialog.now, **({"channels": channels} | feed))
        dialog.show_frame(frame(dialog.now, given=weighted, plan=plan, feed=now))


def choose(box, value):
    box.setCurrentIndex(box.findData(value))
    assert box.currentData() == value


def step(dialog, left, right, typed, **more):
    dialog.now += 10.0
    play(dialog, left, right, **more)
    dialog.side.typed.setText(typed)
    assert dialog.next.isEnabled(), (dialog.side.feed.text(), dialog.side.outcome.text())
    dialog.next.click()


def measured(dialog, left="79", right="79", both="82", noise="band", weighting="C"):
    choose(dialog.start.noise, noise)
    choose(dialog.start.weighting, weighting)
    dialog.next.click()
    step(dialog, -20.0, SILENT, left, noise=noise)
    step(dialog, SILENT, -20.0, right, noise=noise)
    step(dialog, -20.0, -20.0, both, noise=noise)


@pytest.mark.parametrize("weighting", ["A", "C"])
@pytest.mark.parametrize("noise", ["band", "wide"])
def test_left_right_and_both_make_a_calibration(dialog, qtbot, noise, weighting):
    choose(dialog.start.setting, "−10")
    choose(dialog.start.meter, "unknown class")
    dialog.start.position.setText("  at my   head ")
    measured(dialog, "79,0", "79.0", "82.0", noise, weighting)
    words = " ".join(label.text() for label in dialog.outcome.lines)
    assert "0.0 dB apart" in words
    assert "Both read 82.0 where 82.0 are due" in words
    assert "about 79 dB(A)" in words or noise == "wide"
    assert "estimate, ±6 dB" in words
    assert "knob at −10" in words
    with qtbot.waitSignal(dialog.calibrated) as heard:
        dialog.next.click()
    offset = round(79.0 - (-20.0 + weighted_db(noise, weighting)), 2)
    details = f"left 79.0, right 79.0, both 82.0 dB({weighting})"
    assert heard.args == [
        Calibration(
            SOURCE, offset, "2026-11-25", 79.0, weighting, noise, LOUDSPEAKERS, "−10", "unknown class", "at my head",
            6.0, details,
        )
    ]  # fmt: skip
    assert not dialog.isVisible()


def test_sides_that_differ_are_told_and_a_failed_check_widens_the_doubt(dialog, qtbot):
    measured(dialog, "80.4", "79.0", "86.0")
    words = " ".join(label.text() for label in dialog.outcome.lines)
    assert "left is 1.4 dB louder than right" in words
    assert "Both read 86.0 where 82.8 are due, 3.2 dB off" in words
    assert "±5 dB" in words
    with qtbot.waitSignal(dialog.calibrated) as heard:
        dialog.next.click()
    assert heard.args[0].doubt_db == 5.0


def test_the_check_may_be_left_out_and_one_can_go_back(dialog):
    measured(dialog)
    dialog.back.click()
    assert dialog.side.typed.text() == "82.0"
    dialog.skip.click()
    words = " ".join(label.text() for label in dialog.outcome.lines)
    assert "was skipped" in words
    assert "±5 dB" in words
    for _ in range(4):
        dialog.back.click()
    assert dialog.steps.accessibleName() == "step 1 of 5: before you start"
    assert not dialog.back.isVisible()


def test_other_terms_make_what_was_read_worthless(dialog):
    measured(dialog)
    for _ in range(4):
        dialog.back.click()
    choose(dialog.start.weighting, "A")
    dialog.next.click()
    assert dialog.side.typed.text() == ""


def test_a_feed_of_one_channel_has_one_step(dialog, qtbot):
    play(dialog, -20.0, channels=1)
    dialog.next.click()
    assert dialog.steps.accessibleName() == "step 2 of 3: loudspeaker"
    dialog.side.typed.setText("79")
    with qtbot.waitSignal(dialog.calibrated) as heard:
        dialog.next.click()
        dialog.next.click()
    assert heard.args[0].doubt_db == 3.0
    assert heard.args[0].offset_db == pytest.approx(99.02)


@pytest.mark.parametrize(
    ("levels", "feed", "words"),
    [
        ((math.nan, math.nan), {}, "No noise"),
        ((SILENT, SILENT), {}, "almost silent"),
        ((-90.0, -90.0), {}, "almost silent"),
        ((-20.0, SILENT), {"state": "held"}, "No noise"),
        ((-20.0, SILENT), {"state": "lost"}, "No noise"),
        ((SILENT, -20.0), {}, "in the right channel"),
        ((-20.0, -20.0), {}, "Both channels have signal"),
        ((-45.0, SILENT), {}, "far too quiet"),
    ],
)
def test_without_the_noise_of_this_step_there_is_no_next(dialog, levels, feed, words):
    dialog.next.click()
    dialog.side.typed.setText("79")
    play(dialog, *levels, **feed)
    assert words in dialog.side.feed.text()
    assert not dialog.next.isEnabled()
    dialog._forward()
    assert dialog.steps.accessibleName() == "step 2 of 5: left"


def test_a_level_off_what_the_noise_gives_is_told(dialog):
    dialog.next.click()
    play(dialog, -29.0)
    assert "a fader or volume stands between" in dialog.side.feed.text()
    dialog.side.typed.setText("79")
    assert dialog.next.isEnabled()
    dialog.now += 10.0
    play(dialog, -20.0, noise="wide")
    assert "not the noise chosen here" in dialog.side.feed.text()


@pytest.mark.parametrize("text", ["130", "20", "loud", "nan"])
def test_an_impossible_level_is_one_sentence(dialog, text):
    dialog.next.click()
    play(dialog, -20.0)
    dialog.side.typed.setText(text)
    assert "from 40 to 120 dB" in dialog.side.outcome.text()
    assert not dialog.next.isEnabled()
    dialog.side.typed.clear()
    assert dialog.side.outcome.text() == ""


def test_a_dead_loudspeaker_is_one_sentence(dialog):
    dialog.next.click()
    step(dialog, -20.0, SILENT, "79")
    dialog.now += 10.0
    play(dialog, SILENT, -20.0)
    dialog.side.typed.setText("52")
    assert "The right one reads 27 dB less than the left one: it is off or dead" in dialog.side.outcome.text()
    assert not dialog.next.isEnabled()
    dialog.side.typed.setText("78")
    assert dialog.next.isEnabled()


def test_a_dead_channel_in_the_check_is_one_sentence(dialog):
    dialog.next.click()
    step(dialog, -20.0, SILENT, "79")
    step(dialog, SILENT, -20.0, "79")
    dialog.now += 10.0
    play(dialog, -20.0, SILENT)
    assert "the right one is dead, muted or not sent" in dialog.side.feed.text()


def test_another_device_midway_begins_again_and_says_so(dialog):
    dialog.next.click()
    step(dialog, -20.0, SILENT, "79")
    play(dialog, SILENT, -20.0, source="Headphone Amp")
    assert "changed from 'Studio Out' to 'Headphone Amp'" in dialog.start.note.text()
    assert dialog.steps.accessibleName() == "step 1 of 5: before you start"
    measured_on = dialog._terms().source
    assert measured_on == "monitor:Headphone Amp"
    dialog.next.click()
    assert dialog.side.typed.text() == ""


def test_each_opening_begins_anew(dialog):
    dialog.next.click()
    step(dialog, -20.0, SILENT, "79")
    dialog.close()
    dialog.bring_up(MonitorState(SOURCE, LOUDSPEAKERS, "late"), NAMES, frozenset({LOUDSPEAKERS}))
    assert dialog.steps.accessibleName() == "step 1 of 5: before you start"
    assert dialog.start.setting.currentData() == "late"
    assert dialog.forget.isVisible()
    with_signal = []
    dialog.forgotten.connect(with_signal.append)
    dialog.forget.click()
    assert with_signal == [LOUDSPEAKERS]


# Headphones


def test_headphones_are_reckoned_from_their_sheet_only_when_asked(dialog, qtbot):
    choose(dialog.start.heard_on, HEADPHONES)
    assert [dialog.start.setting.itemData(row) for row in range(3)] == list(NAMES[HEADPHONES])
    assert not dialog.start.meter.isVisible()
    dialog.next.click()
    assert not dialog.next.isEnabled()
    assert dialog.sheet.outcome.text() == ""
    for line, text in zip(dialog.sheet.lines(), ("100", "32", "0", ""), strict=True):
        line.setText(text)
    assert "voltage" in dialog.sheet.outcome.text()
    dialog.sheet.volts.setText("1,0")
    assert "115 dB SPL" in dialog.sheet.outcome.text()
    assert "±8 dB or worse" in dialog.sheet.outcome.text()
    with qtbot.waitSignal(dialog.calibrated) as heard:
        dialog.next.click()
    kept = heard.args[0]
    # 1 V into 32 ohm are 31.25 mW: 100 + 14.95 dB; a feed of both sides is 3.01 dB above one ear.
    assert (kept.heard_on, kept.meter, kept.doubt_db) == (HEADPHONES, "data sheet", 8.0)
    assert kept.typed_db == pytest.approx(114.95, abs=0.01)
    assert kept.offset_db == pytest.approx(111.94, abs=0.01)
    assert "32 ohm" in kept.details


# Noise


def test_files_are_written_by_the_one_who_can(dialog, tmp_path, monkeypatch):
    choose(dialog.start.noise, "wide")
    dialog.write_noise_to(tmp_path)
    assert dialog._write_noise.calls == [(tmp_path, "wide")]
    assert "Turn the monitors down" in dialog.start.note.text()
    dialog._write_noise.answer = "The disk is full; choose another folder."
    dialog.write_noise_to(tmp_path)
    assert "The disk is full" in dialog.start.note.text()
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *_: "")
    dialog.start.save.click()
    assert len(dialog._write_noise.calls) == 2
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *_: str(tmp_path))
    dialog.start.save.click()
    assert len(dialog._write_noise.calls) == 3


def test_without_a_writer_and_a_player_neither_is_offered(qtbot, tmp_path):
    made = CalibrationDialog(None)
    qtbot.addWidget(made)
    made.bring_up(MonitorState(SOURCE), NAMES, frozenset())
    assert made.start.save.isHidden()
    assert made.start.played_by.count() == 1
    made.write_noise_to(tmp_path)


@pytest.fixture
def playing(dialog, qtbot):
    """The step for the left with noise that plays by the program."""
    with qtbot.waitSignal(dialog.player.listed):
        choose(dialog.start.played_by, BY_PROGRAM)
    assert not dialog.next.isEnabled(), "no output is chosen by itself"
    assert not dialog.log.exists(), "nothing plays before a press"
    dialog.start.output.setCurrentIndex(1)
    dialog.next.click()
    with qtbot.waitSignal(dialog.player.level_changed):
        dialog.side.player.button.click()
    return dialog


def test_the_noise_plays_only_after_a_press_on_the_chosen_side(playing, qtbot):
    assert "--play left --noise band --kind sink --output front" in playing.log.read_text()
    assert "playing at −50 dBFS rms, rising to −20" in playing.side.player.words.text()
    play(playing, -50.0)
    assert "still rising" in playing.side.feed.text()
    with qtbot.waitSignal(playing.player.level_changed):
        playing.side.player.hold.click()
    playing.now += 10.0
    play(playing, -40.0)
    assert playing.side.feed.text() == "Feed: steady at −40.0 dBFS(C)."
    playing.side.typed.setText("60")
    with qtbot.waitSignal(playing.player.ended):
        playing.next.click()
    assert not playing.player.playing, "the next step starts nothing by itself"
    assert playing.log.read_text().count("--play") == 1


@pytest.mark.parametrize("key", [Qt.Key.Key_Space, Qt.Key.Key_Escape])
@pytest.mark.parametrize("where", ["dialog", "field"])
def test_space_and_escape_stop_it_at_once_and_start_nothing(playing, qtbot, key, where):
    widget = playing if where == "dialog" else playing.side.typed
    with qtbot.waitSignal(playing.player.ended):
        qtbot.keyClick(widget, key)
    assert playing.isVisible(), "the first Esc stops the noise, it does not close"
    qtbot.keyClick(playing, Qt.Key.Key_Space)
    assert not playing.player.playing
    assert playing.side.player.button.text().startswith("play")


@pytest.mark.parametrize("how", ["button", "back", "close", "hide", "device"])
def test_every_way_out_ends_the_noise(playing, qtbot, how):
    with qtbot.waitSignal(playing.player.ended):
        if how == "button":
            playing.side.player.button.click()
        elif how == "back":
            playing.back.click()
        elif how == "device":
            play(playing, -50.0, source="Other", seconds=0.1)
        else:
            getattr(playing, how)()
    assert not playing.player.playing


def test_noise_that_ends_by_itself_says_why(qtbot, tmp_path):
    made = CalibrationDialog(
        None, [sys.executable, fake_noise.__file__, str(tmp_path / "log"), "--ends", "It was moved."]
    )
    qtbot.addWidget(made)
    made.bring_up(MonitorState(SOURCE), NAMES, frozenset())
    with qtbot.waitSignal(made.player.listed):
        choose(made.start.played_by, BY_PROGRAM)
    made.start.output.setCurrentIndex(1)
    made.next.click()
    with qtbot.waitSignal(made.player.ended):
        made.side.player.button.click()
    assert made.side.player.words.text() == "It was moved."
    assert made.side.player.button.isEnabled()


def test_both_conventions_of_the_level_are_told(dialog):
    words = dialog.start._level.text()
    assert "−20 dBFS rms in each channel where a full-scale sine reads 0 (AES17)" in words
    assert "−23.0 dB where an rms of 1.0 reads 0" in words
    assert "Turn the monitors down" in dialog.start._caution.text()
