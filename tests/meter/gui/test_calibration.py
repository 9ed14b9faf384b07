"""The calibration: entered only against steady noise, in force only for its source and only once confirmed."""

from __future__ import annotations

import math
from datetime import date

import pytest

from meter.gui.calibration import FEED_KEY, CalibrationDialog
from meter.gui.seat_keeper import SeatKeeper
from meter.gui.seat_level import a_minus_c_db
from meter.settings import Calibration, Settings
from tests.support.frames import frame, status

DAY = date(2026, 11, 25)
SOURCE = "monitor:Studio Out"
KEPT = Calibration(SOURCE, 99.0, "2026-11-24", 79.0, "A", "band")


class Written:
    def __init__(self, answer=""):
        self.answer = answer
        self.calls = []

    def __call__(self, path, kind):
        self.calls.append((path, kind))
        return self.answer


@pytest.fixture
def dialog(qtbot):
    made = CalibrationDialog(Written(), today=lambda: DAY)
    qtbot.addWidget(made)
    made.bring_up(SOURCE, known=False)
    return made


def play(dialog, level=-20.0, seconds=6.0, **feed):
    for number in range(int(seconds * 20)):
        now = 100.0 + number * 0.05
        dialog.show_frame(frame(now, given={FEED_KEY: level}, feed=status(now, **feed)))


def test_a_typed_level_and_steady_noise_make_an_offset(dialog, qtbot):
    play(dialog)
    dialog.typed.setText("79,0")
    assert "about 79 dB(A)" in dialog.outcome.text()
    assert "estimate" in dialog.outcome.text()
    with qtbot.waitSignal(dialog.calibrated) as heard:
        dialog.use.click()
    assert heard.args == [Calibration(SOURCE, 99.0, "2026-11-25", 79.0, "A", "band")]
    assert not dialog.isVisible()


@pytest.mark.parametrize("noise", ["band", "wide"])
def test_a_reading_in_c_is_taken_to_a_and_said(dialog, qtbot, noise):
    play(dialog)
    dialog.noise.setCurrentIndex(dialog.noise.findData(noise))
    dialog.weighting.setCurrentIndex(dialog.weighting.findData("C"))
    dialog.typed.setText("79")
    assert f"{-a_minus_c_db(noise):.1f} dB more" in dialog.outcome.text()
    with qtbot.waitSignal(dialog.calibrated) as heard:
        dialog.use.click()
    assert heard.args[0].offset_db == pytest.approx(99.0 + a_minus_c_db(noise), abs=0.01)


@pytest.mark.parametrize(
    ("level", "feed", "words"),
    [
        (math.nan, {}, "No noise"),
        (-math.inf, {}, "No noise"),
        (-90.0, {}, "almost silent"),
        (-20.0, {"state": "held"}, "No noise"),
        (-20.0, {"state": "lost"}, "No noise"),
    ],
)
def test_without_steady_noise_there_is_no_calibration(dialog, level, feed, words):
    dialog.typed.setText("79")
    play(dialog, level, **feed)
    assert words in dialog.feed.text()
    assert not dialog.use.isEnabled()
    heard = []
    dialog.calibrated.connect(heard.append)
    dialog._use()
    assert heard == []


@pytest.mark.parametrize("text", ["130", "20", "loud", "nan"])
def test_an_impossible_level_is_one_sentence(dialog, text):
    play(dialog)
    dialog.typed.setText(text)
    assert "from 40 to 120 dB" in dialog.outcome.text()
    assert not dialog.use.isEnabled()


def test_each_opening_listens_anew(dialog):
    play(dialog)
    dialog.close()
    dialog.bring_up(SOURCE, known=True)
    assert "No noise" in dialog.feed.text()
    assert not dialog.forget.isHidden()


def test_the_noise_is_saved_by_the_one_who_can(dialog, tmp_path):
    dialog.noise.setCurrentIndex(dialog.noise.findData("wide"))
    dialog.write_noise_to(tmp_path / "noise.wav")
    assert dialog._write_noise.calls == [(tmp_path / "noise.wav", "wide")]
    assert "Turn the monitors down" in dialog.outcome.text()
    dialog._write_noise.answer = "The disk is full; choose another folder."
    dialog.write_noise_to(tmp_path / "noise.wav")
    assert "The disk is full" in dialog.outcome.text()
    dialog.save_noise.click()  # the file dialog is cancelled: nothing happens
    assert len(dialog._write_noise.calls) == 2


def test_without_a_writer_no_noise_is_offered(qtbot, tmp_path):
    made = CalibrationDialog(None)
    qtbot.addWidget(made)
    assert made.save_noise.isHidden()
    made.write_noise_to(tmp_path / "noise.wav")


class Asker:
    def __init__(self):
        self.open = {}

    def ask(self, sentence, answers):
        self.open[sentence] = dict(answers)

    def withdraw(self, sentence):
        self.open.pop(sentence, None)


class Kept:
    def __init__(self, *calibrations):
        self.settings = Settings(calibrations=list(calibrations))
        self.asker = Asker()
        self.sent = []
        self.opened = []
        self.keeper = SeatKeeper(
            self.settings, self.asker, lambda *call: self.sent.append(call), lambda: self.opened.append(1)
        )

    def answer(self, words):
        ((sentence, answers),) = self.asker.open.items()
        self.asker.open.clear()
        answers[words]()
        return sentence


OUT = ("listening", {"calibrated": False})
IN = ("listening", {"calibrated": True, "offset_db": 99.0})


def test_a_known_source_is_asked_about_and_out_of_force_until_then():
    kept = Kept(KEPT)
    kept.keeper.watch("monitor", status())
    kept.keeper.watch("monitor", status())
    assert kept.sent == [OUT]
    assert kept.answer("yes") == "Calibrated on 24 November 2026. Is the monitor control where it was?"
    assert kept.sent == [OUT, IN]


def test_no_leaves_it_out_of_force_and_again_opens_the_dialog():
    kept = Kept(KEPT)
    kept.keeper.watch("monitor", status())
    kept.answer("no")
    assert kept.sent == [OUT]
    other = Kept(KEPT)
    other.keeper.watch("monitor", status())
    other.answer("calibrate again…")
    assert other.opened == [1]


def test_another_source_ends_it_and_coming_back_asks_again():
    kept = Kept(KEPT)
    kept.keeper.watch("monitor", status())
    kept.answer("yes")
    kept.keeper.watch("monitor", status(source="Headphones"))
    assert kept.sent[-1] == OUT
    assert kept.asker.open == {}
    kept.keeper.watch("monitor", status())
    assert len(kept.asker.open) == 1
    kept.keeper.watch("monitor", status(source="Headphones"))
    assert kept.asker.open == {}


def test_a_lost_source_that_comes_back_keeps_it():
    kept = Kept(KEPT)
    kept.keeper.watch("monitor", status())
    kept.answer("yes")
    for state in ("late", "lost", "reopening", "waiting", "running"):
        kept.keeper.watch("monitor", status(state=state))
    assert kept.sent == [OUT, IN]


@pytest.mark.parametrize("kind", ["file", "demo", "script"])
def test_a_file_is_not_what_the_room_hears(kind):
    kept = Kept(KEPT)
    kept.keeper.watch(kind, status())
    assert kept.sent == []
    assert kept.keeper.source == ""
    kept.keeper.watch("monitor", status())
    kept.answer("yes")
    kept.keeper.watch(kind, status())
    assert kept.sent[-1] == OUT


def test_a_new_calibration_is_in_force_at_once_and_can_be_forgotten():
    kept = Kept()
    kept.keeper.watch("monitor", status())
    assert not kept.keeper.known
    kept.keeper.use(KEPT)
    assert kept.sent[-1] == IN
    assert kept.settings.calibrations == [KEPT]
    kept.keeper.forget()
    assert kept.sent[-1] == OUT
    assert kept.settings.calibrations == []


def test_a_calibration_of_a_source_that_went_meanwhile_is_kept_but_not_in_force():
    kept = Kept()
    kept.keeper.watch("monitor", status(source="Headphones"))
    kept.keeper.use(KEPT)
    assert kept.sent == [OUT]
    assert kept.settings.calibrations == [KEPT]


def test_a_damaged_date_is_no_crash():
    kept = Kept(Calibration(SOURCE, 99.0, "yesterday", 79.0, "A", "band"))
    kept.keeper.watch("monitor", status())
    assert "an unknown day" in kept.answer("no")
