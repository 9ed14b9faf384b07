"""Which calibration is in force: never without the user's word, never for another source, ear or setting."""

from __future__ import annotations

import msgspec
import pytest

from meter.calibration.calibration_in_force import NOT_ESTIMATED, CalibrationInForce
from meter.settings import HEADPHONES, LOUDSPEAKERS, Calibration, MonitorSetting, MonitorState, Settings
from tests.support.frames import status

SOURCE = "monitor:Studio Out"
KEPT = Calibration(SOURCE, 99.0, "2026-11-24", 79.0, "A", "band", doubt_db=3.0)
PHONES = msgspec.structs.replace(KEPT, heard_on=HEADPHONES, offset_db=110.0, doubt_db=8.0)


class Asker:
    def __init__(self):
        self.open = {}

    def ask(self, sentence, answers):
        self.open[sentence] = dict(answers)

    def withdraw(self, sentence):
        self.open.pop(sentence, None)


class SavedState:
    def __init__(self, *calibrations, states=()):
        self.settings = Settings(calibrations=list(calibrations), monitor_states=list(states))
        self.asker = Asker()
        self.sent = []
        self.opened = []
        self.recorder = CalibrationInForce(
            self.settings,
            self.asker,
            self.sent.append,
            lambda: self.opened.append("calibrate"),
            lambda: self.opened.append("turn"),
        )

    def watch(self, kind="monitor", **feed):
        self.recorder.watch(kind, status(**feed))
        return self

    def answer(self, words):
        ((sentence, answers),) = self.asker.open.items()
        self.asker.open.clear()
        answers[words]()
        return sentence

    @property
    def calibrated(self):
        return bool(self.sent) and self.sent[-1]["calibrated"]


def in_force(offset_db=99.0, doubt_db=3.0, words=LOUDSPEAKERS):
    put = {"calibrated": True, "calibrated_for": SOURCE, "offset_db": offset_db, "doubt_db": doubt_db}
    return {**put, "monitor_setting": words}


OUT = {"calibrated": False, "monitor_setting": LOUDSPEAKERS}


def test_a_known_source_is_asked_about_and_out_of_force_until_then():
    kept = SavedState(KEPT).watch().watch()
    assert kept.sent == [OUT]
    assert kept.answer("yes") == "Calibrated on 24 November 2026. Is the monitor knob where it was?"
    assert kept.sent == [OUT, in_force()]


def test_the_other_answers_lead_on_and_put_nothing_in_force():
    for answer, opened in (("I moved it…", "turn"), ("calibrate again…", "calibrate")):
        kept = SavedState(KEPT).watch()
        kept.answer(answer)
        assert kept.opened == [opened]
        assert not kept.calibrated


def test_the_question_names_the_setting_and_what_is_listened_on():
    kept = SavedState(KEPT, states=[MonitorState(SOURCE, LOUDSPEAKERS, "−10")]).watch()
    assert kept.answer("yes").endswith("Is the monitor knob at −10, where it was?")
    assert kept.sent[-1] == in_force(89.0, 5.0, "loudspeakers at −10")
    kept = SavedState(KEPT, PHONES, states=[MonitorState(SOURCE, HEADPHONES)]).watch()
    assert "Calculated on 24 November 2026 for headphones" in kept.answer("yes")
    assert kept.sent[-1] == in_force(110.0, 8.0, HEADPHONES)


def test_headphones_that_are_not_estimated_are_asked_about_too():
    kept = SavedState(KEPT, states=[MonitorState(SOURCE, HEADPHONES)]).watch()
    assert kept.answer("yes") == "You last listened on headphones, which is not estimated. Still so?"
    assert not kept.calibrated
    assert kept.sent[-1]["monitor_setting"] == HEADPHONES


def test_another_source_ends_it_and_coming_back_asks_again():
    kept = SavedState(KEPT).watch()
    kept.answer("yes")
    kept.watch(source="Headphone Amp")
    assert not kept.calibrated
    assert kept.asker.open == {}
    kept.watch()
    assert len(kept.asker.open) == 1
    kept.watch(source="Headphone Amp")
    assert kept.asker.open == {}


def test_a_lost_source_that_comes_back_keeps_it():
    kept = SavedState(KEPT).watch()
    kept.answer("yes")
    for state in ("late", "lost", "reopening", "waiting", "running"):
        kept.watch(state=state)
    assert kept.sent == [OUT, in_force()]


@pytest.mark.parametrize("kind", ["file", "demo", "script"])
def test_a_file_is_not_what_the_room_hears(kind):
    kept = SavedState(KEPT).watch(kind)
    assert kept.sent == []
    assert kept.recorder.source == ""
    kept.watch()
    kept.answer("yes")
    kept.watch(kind)
    assert not kept.calibrated
    assert kept.recorder.seat is None


def test_a_new_calibration_is_in_force_at_once_and_can_be_forgotten():
    kept = SavedState().watch()
    assert kept.recorder.known == frozenset()
    kept.recorder.use(KEPT)
    assert kept.sent[-1] == in_force()
    assert kept.settings.calibrations == [KEPT]
    assert kept.recorder.known == {LOUDSPEAKERS}
    kept.recorder.forget(LOUDSPEAKERS)
    assert kept.sent[-1] == OUT
    assert kept.settings.calibrations == []


def test_forgetting_the_headphones_leaves_the_loudspeakers_in_force():
    kept = SavedState(KEPT, PHONES).watch()
    kept.answer("yes")
    kept.recorder.forget(HEADPHONES)
    assert kept.settings.calibrations == [KEPT]
    assert kept.calibrated


def test_a_calibration_of_a_source_that_went_meanwhile_is_kept_but_not_in_force():
    kept = SavedState().watch(source="Headphone Amp")
    kept.recorder.use(KEPT)
    assert kept.sent == [OUT]
    assert kept.settings.calibrations == [KEPT]


def test_a_calibration_at_another_setting_moves_the_control_there():
    kept = SavedState(KEPT).watch()
    kept.answer("yes")
    kept.recorder.use(msgspec.structs.replace(KEPT, setting="−20", offset_db=78.0))
    assert kept.sent[-1] == in_force(78.0, 3.0, "loudspeakers at −20")
    assert kept.recorder.state.setting == "−20"


# Turns


def test_a_turn_follows_and_confirms():
    kept = SavedState(KEPT).watch()
    assert kept.recorder.turned_to("−20") == ""
    assert kept.asker.open == {}, "the question is answered by that"
    assert kept.sent[-1] == in_force(79.0, 5.0, "loudspeakers at −20")
    assert kept.recorder.turned_to("full") == ""
    assert kept.sent[-1] == in_force()


def test_a_named_setting_is_kept_and_used():
    kept = SavedState(KEPT).watch()
    assert kept.recorder.name_setting("late", -23.0) == ""
    assert kept.sent[-1] == in_force(76.0, 5.0, "loudspeakers at late")
    assert kept.settings.monitor_settings == [MonitorSetting(SOURCE, LOUDSPEAKERS, "late", -23.0)]
    assert kept.recorder.names() == {LOUDSPEAKERS: ("full", "−10", "−20", "late"), HEADPHONES: ("full", "−10", "−20")}


def test_headphones_are_not_estimated_and_loudspeakers_come_back():
    kept = SavedState(KEPT).watch()
    kept.answer("yes")
    assert kept.recorder.listens_on(HEADPHONES) == NOT_ESTIMATED
    assert kept.sent[-1] == {"calibrated": False, "monitor_setting": HEADPHONES}
    assert kept.recorder.listens_on(LOUDSPEAKERS) == ""
    assert kept.calibrated


def test_a_setting_that_nothing_is_known_of_is_one_sentence():
    kept = SavedState(msgspec.structs.replace(KEPT, setting="nowhere")).watch()
    assert "“−10” could be reckoned from" in kept.recorder.turned_to("−10")
    assert not kept.calibrated


def test_not_to_know_stops_the_estimate():
    kept = SavedState(KEPT).watch()
    kept.answer("yes")
    kept.recorder.elsewhere()
    assert not kept.calibrated
    assert kept.recorder.seat is None


def test_without_a_source_or_a_calibration_a_turn_says_nothing():
    kept = SavedState(KEPT)
    assert kept.recorder.turned_to("−10") == ""
    assert kept.sent == []
    kept = SavedState().watch()
    assert kept.recorder.turned_to("−10") == ""
    assert not kept.calibrated
    assert kept.recorder.state.setting == "−10"


def test_a_damaged_date_is_no_crash():
    kept = SavedState(msgspec.structs.replace(KEPT, measured_on="yesterday")).watch()
    assert "an unknown day" in kept.answer("yes")


# Which output it belongs to


def test_two_outputs_of_one_description_do_not_share_a_calibration():
    kept = SavedState(msgspec.structs.replace(KEPT, source="monitor:a1.monitor"))
    kept.watch(source="Twin Out", output="a1.monitor").answer("yes")
    assert kept.sent[-1]["calibrated_for"] == "monitor:a1.monitor"
    kept.watch(source="Twin Out", output="a2.monitor", output_changes=1)
    assert not kept.calibrated
    assert kept.asker.open == {}, "nothing is known of the other one"


def test_an_output_that_changed_and_came_back_unseen_is_asked_about_again():
    kept = SavedState(KEPT).watch()
    kept.answer("yes")
    kept.watch(output_changes=2)
    assert not kept.calibrated
    assert kept.answer("yes").startswith("Calibrated on 24 November 2026.")
    assert kept.calibrated


NAMED = "Kopfhörer ü"


@pytest.mark.parametrize("older", [NAMED, f"What is playing on {NAMED}", "What is playing on (null)"])
def test_a_calibration_kept_under_a_description_waits_for_the_users_word(older):
    kept = SavedState(msgspec.structs.replace(KEPT, source=f"monitor:{older}")).watch(
        source=NAMED, output="phones.monitor"
    )
    assert not kept.calibrated
    assert kept.answer("no") == f"A calibration was kept for “{older}”. Was it made on this output, “{NAMED}”?"
    assert not kept.calibrated
    assert kept.settings.calibrations[0].source == f"monitor:{older}", "it may belong to the other one"
    again = SavedState(*kept.settings.calibrations).watch(source=NAMED, output="phones.monitor")
    again.answer("yes, on this output")
    assert not again.calibrated, "the control is still asked about"
    again.answer("yes")
    assert again.sent[-1]["calibrated_for"] == "monitor:phones.monitor"
    assert [entry.source for entry in again.settings.calibrations] == ["monitor:phones.monitor"]


def test_a_lost_name_is_not_offered_to_an_output_whose_name_never_was():
    kept = SavedState(msgspec.structs.replace(KEPT, source="monitor:What is playing on (null)"))
    kept.watch(source="Two Loudspeakers", output="room.monitor")
    assert kept.asker.open == {}
    assert not kept.calibrated
