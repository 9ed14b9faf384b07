"""Bypass in a loop as a meter: its study on a stream, what is kept, and what its card says and shows."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest
from PySide6.QtGui import QColor, QGuiApplication
from pytestqt.qtbot import QtBot

from dsp.core.types import FloatArray
from meter.builtin.repeats.face import RepeatsFace
from meter.builtin.repeats.findings import (
    FOUND,
    LISTENING,
    NO_SWITCH,
    NOT_CLEAR,
    NOTHING_REPEATS,
    REPEATS_DIFFER,
    TOO_SHORT,
    FairRepeats,
    RepeatFindings,
)
from meter.builtin.repeats.study import states
from meter.plugin.manifest import read_manifest
from meter.readings import Frame, Layout
from meter.stage.findings import FAIR, NEARLY_FAIR, NOT_FAIR
from tests.support.frames import BUILTIN, status
from tests.support.invented_music import invented_music
from tests.support.processors import Processor

RATE_HZ = 16_000
LOOP_SECONDS = 9.6
TURNS = ((0.0, 0.4, False), (0.4, 1.0, True)), ((0.0, 1.0, False),)
LOUDER = FairRepeats(NOT_FAIR, 0.9, -0.9, 3.1, 12.0, False, True, 60.0, TURNS)


def found(fair: FairRepeats = LOUDER, outcome: str = FOUND, age: float = 0.0) -> RepeatFindings:
    return RepeatFindings(outcome, 17.45, 4, fair.seconds, fair, age)


class Loop(Processor):
    def __init__(self) -> None:
        super().__init__("repeats", RATE_HZ)

    def study(self, before: RepeatFindings | None = None) -> RepeatFindings:
        return states(self.meter.stretch("states"), {}, before)


@pytest.fixture(scope="module")
def loop() -> FloatArray:
    """Five turns, the stage in from the middle of each 4.1 s."""
    out = np.tile(invented_music(5, LOOP_SECONDS, RATE_HZ, 100.0), (5, 1))
    is_in = (np.arange(len(out)) / RATE_HZ // 4.1) % 2 == 1
    return np.where(is_in[:, None], 10.0 ** (-0.8 / 20.0) * out, out)


def test_the_verdict_is_kept_with_its_age_while_nothing_is_compared(loop: FloatArray) -> None:
    meter = Loop()
    meter.feed(loop, (4000,))
    first = meter.study()
    assert (first.outcome, first.age_seconds) == (FOUND, 0.0)
    assert first.fair is not None
    assert first.fair.verdict == NOT_FAIR
    assert first.fair.trim_db == pytest.approx(-0.8, abs=0.02)
    assert first.loop_seconds == pytest.approx(LOOP_SECONDS, abs=1e-4)
    meter.feed(np.zeros((8 * RATE_HZ, 2)), (4000,))
    later = meter.study(first)
    assert later.outcome == LISTENING
    assert later.fair == first.fair
    assert later.age_seconds == pytest.approx(8.0)
    assert meter.read()["held"] == pytest.approx(len(loop) / RATE_HZ + 8.0)


def test_marks_name_the_states_and_a_reset_forgets_all(loop: FloatArray) -> None:
    meter = Loop()
    for number, part in enumerate(np.split(loop, np.arange(4.1, 48.0, 4.1).dot(RATE_HZ).round().astype(int))):
        if number:
            meter.meter.mark()
        meter.feed(part, (4000,))
    fair = meter.study().fair
    assert fair is not None
    assert fair.marked
    assert fair.change_lu == pytest.approx(-0.8, abs=0.02)
    meter.meter.reset()
    again = meter.study()
    assert (again.outcome, again.fair) == (LISTENING, None)
    assert meter.read()["held"] == 0.0


def face(qtbot: QtBot, findings: RepeatFindings | None, size: tuple[int, int] = (420, 220)) -> RepeatsFace:
    made = RepeatsFace()
    qtbot.addWidget(made)
    made.stand_for("repeats", "Bypass in a loop")
    made.resize(*size)
    show(made, findings)
    return made


def show(shown: RepeatsFace, findings: RepeatFindings | None, seconds: float = 60.0) -> None:
    plan = Layout.build({"repeats": read_manifest(BUILTIN / "repeats" / "manifest.toml").fields}, {"repeats": 2})
    given = {} if findings is None else {"repeats.states": findings}
    shown.show_frame(Frame(plan, np.full(plan.total, 60.0), status(seconds), given))


@pytest.mark.parametrize(
    ("fair", "figure", "sentence"),
    [
        (LOUDER, "+0.9", "Not fair: trim the louder state −0.9 dB; 20–120 Hz +3.1 dB."),
        (
            msgspec.structs.replace(LOUDER, verdict=NEARLY_FAIR, change_lu=-0.4, trim_db=0.4, marked=True),
            "−0.4",
            "Nearly fair: trim the second state +0.4 dB; 20–120 Hz +3.1 dB.",
        ),
        (
            msgspec.structs.replace(LOUDER, verdict=FAIR, change_lu=0.14, trim_db=-0.14, low_change_db=math.nan),
            "+0.1",
            "Fair: 0.1 LU between the states.",
        ),
        (
            msgspec.structs.replace(LOUDER, verdict=FAIR, change_lu=0.01, trim_db=-0.01, low_change_db=0.0),
            "0.0",
            "Fair: both states equally loud; 20–120 Hz 0.0 dB.",
        ),
    ],
)
def test_what_is_said_of_two_states(qtbot: object, fair: FairRepeats, figure: str, sentence: str) -> None:
    shown = face(qtbot, found(fair))
    assert shown.labels["figure"].text == figure
    assert shown.labels["sentence"].text == sentence


@pytest.mark.parametrize(
    ("findings", "said"),
    [
        (None, "listening…"),
        (RepeatFindings(), "listening…"),
        (RepeatFindings(NOTHING_REPEATS), "Nothing repeats. Loop some bars"),
        (RepeatFindings(REPEATS_DIFFER, 17.4), "The turns of the loop differ in themselves"),
        (RepeatFindings(NO_SWITCH, 17.45, 4), "4 turns alike: no switch heard, or always at the same bars"),
        (RepeatFindings(NOT_CLEAR, 17.45, 4), "or press K at each flip"),
        (RepeatFindings(TOO_SHORT, 17.45, 2, 1.4), "1.4 of 3 s heard in both states"),
    ],
)
def test_why_nothing_is_said(qtbot: object, findings: RepeatFindings | None, said: str) -> None:
    shown = face(qtbot, findings)
    assert said in shown.labels["why"].text
    assert not shown.labels["figure"].text
    assert not shown.press("C"), "there is no trim to copy"


def test_an_old_verdict_is_dimmed_and_dated(qtbot: object) -> None:
    shown = face(qtbot, found())
    assert shown.labels["note"].text.startswith("playing: the louder state")
    show(shown, found(outcome=NO_SWITCH, age=130.0), 61.0)
    assert shown.labels["note"].text == "2 min ago; now: no switch heard"
    assert shown.labels["sentence"].role == shown.labels["figure"].role == "faint"


def test_figures_stay_until_they_are_a_step_away(qtbot: object) -> None:
    shown = face(qtbot, found())
    near = msgspec.structs.replace(LOUDER, change_lu=0.96, trim_db=-0.96, at=62.0, second_plays=False)
    show(shown, found(near), 62.0)
    assert shown.labels["figure"].text == "+0.9"
    assert shown.labels["note"].text.startswith("playing: the quieter state")
    show(shown, found(msgspec.structs.replace(near, change_lu=1.02, trim_db=-1.02, at=64.0)), 64.0)
    assert shown.labels["figure"].text == "+1.0"


def test_the_trim_is_copied_as_a_plain_figure(qtbot: object) -> None:
    shown = face(qtbot, found())
    assert shown.press("C")
    assert QGuiApplication.clipboard().text() == "-0.9"
    assert not shown.press("A")
    show(shown, found(), 61.0)
    assert shown.labels["note"].text == "-0.9 dB copied"
    show(shown, found(), 64.0)
    assert shown.labels["note"].text.startswith("playing")


def test_each_turn_is_a_row_and_the_newest_is_lowest(qtbot: object) -> None:
    shown = face(qtbot, found(), (420, 300))
    picture, box = shown.grab().toImage(), shown._picture
    blue = shown.measured

    def is_blue(across: float, row: int, down: float) -> bool:
        high = box.height() // 2
        colour = QColor(
            picture.pixel(round(box.left() + across * box.width()), round(box.top() + (row + down) * high))
        )
        return colour == blue

    assert is_blue(0.7, 1, 0.2), "the newest turn was in the second state there"
    assert not is_blue(0.2, 1, 0.2)
    assert is_blue(0.2, 1, 0.75), "a low line is the first state"
    assert not is_blue(0.7, 0, 0.2), "the turn before was not"
