"""The card of a stage: text that fits in any state and size, true figures, a trim that other programs take."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QApplication, QPushButton

from meter.builtin.stage import face_chain, face_words
from meter.builtin.stage.face_pane import grid, reach_of
from meter.builtin.stage.findings import LINING_UP, LISTENING, SILENT, UNRELATED, PairFindings
from meter.gui.kit.theme import apply_theme, mixed
from meter.stage.findings import LinearFindings, SqueezeFindings
from tests.support.faces import Paints, assert_text_fits, pixels_like, rows_of
from tests.support.stage_cards import BOUGHT, FAIR, NOTHING_KNOWN, STAGE, card, found, shown, wired

replace = msgspec.structs.replace
SIZES = [(200, 110), (391, 470), (391, 230), (410, 712), (621, 351), (621, 712), (792, 230), (1252, 712), (1800, 950)]
WRONG = replace(
    STAGE, swapped=True, lag_samples=-64.0, lag_ms=-1.333, polarity=("inverted", "same"),
    notes=("After clips: 12 runs of samples at one extreme, 0 before.",),
)  # fmt: skip
ENDLESS = replace(
    STAGE, loudness_change_lu=math.inf, trim_db=-math.inf, low_change_db=-math.inf, added_db=-math.inf,
    squeeze=SqueezeFindings(math.inf, math.inf, math.inf, -math.inf, 100.0, curve=((math.nan, 0.0), (0.0, math.inf))),
    linear=LinearFindings(math.inf, -math.inf, ((0.0, 1.0, 1.0), (100.0, math.inf, 1.0))),
)  # fmt: skip
HUGE = replace(
    STAGE, loudness_change_lu=-88.8, trim_db=88.8, low_change_db=1e38, added_db=1e38,
    squeeze=SqueezeFindings(
        99.9, 99.9, 99.9, -99.9, 100.0, 999.0, 9999.0, True, True, True, True, ((-99.0, 99.0),) * 2
    ),
)  # fmt: skip
STATES = {
    "none": None,
    "listening": PairFindings(),
    "silent": PairFindings(SILENT, silent_side="after"),
    "unrelated": PairFindings(UNRELATED),
    "lining up": PairFindings(LINING_UP, notes=("delay moved from 137 to 201 samples",)),
    "found": found(),
    "fair": found(FAIR),
    "wrong": found(WRONG, notes=("delay moved from 137 to 201 samples",)),
    "not known": found(NOTHING_KNOWN),
    "endless": found(ENDLESS),
    "huge": found(HUGE),
}
CHAIN = {"bus": (2, 3, 4, 5), "tape": (4, 5, 6, 7), "bus to tape": (2, 3, 6, 7)}


@pytest.fixture(autouse=True)
def _dark(qapp):
    apply_theme(qapp, "dark")


@pytest.mark.parametrize("state", STATES)
def test_text_fits_in_every_state_and_size(state, qtbot) -> None:
    face = card(qtbot)
    face.show_frame(shown({"tape": STATES[state]}))
    for size in SIZES:
        face.resize(*size)
        face.grab()
        assert face.fault == ""
        assert_text_fits(face)
    face.resize(200, 110)
    assert face.labels["fair"].shown or face.labels["figure"].shown, "the least card says something"


def test_text_fits_at_any_size(qtbot) -> None:
    rng = np.random.default_rng(4)
    face = card(qtbot)
    for state in ("found", "wrong"):
        face.show_frame(shown({"tape": STATES[state]}))
        for _ in range(40):
            face.resize(int(rng.integers(200, 1300)), int(rng.integers(110, 760)))
            assert_text_fits(face)


def test_long_names_of_stages_leave_the_card_whole(qtbot) -> None:
    long, other = "the compressor on the bus of all the drums", "an equaliser with much too long a name"
    plan = wired({long: (2, 3, 4, 5), other: (4, 5, 6, 7), f"{long} to {other}": (2, 3, 6, 7)})
    face = card(qtbot, meter_id="stage_3", title=f"{long} to {other}")
    face.show_frame(shown({long: found(), other: found(), f"{long} to {other}": found()}, plan))
    for size in SIZES:
        face.resize(*size)
        face.grab()
        assert_text_fits(face)


def test_the_figure_that_matters_is_readable_from_a_metre(qtbot) -> None:
    face = card(qtbot, (410, 712))
    face.show_frame(shown({"tape": found()}))
    assert face.labels["figure"].text == "+2.3"
    assert face.labels["figure"].size_px >= 44
    assert face.labels["unit"].text == "LU louder"
    assert "trim −2.3 dB" in face.labels["fair"].text
    assert "20–120 Hz +3.4 dB" in face.labels["fair"].text


def test_each_picture_and_the_receipt_stand_on_the_card_of_a_page_of_two(qtbot) -> None:
    face = card(qtbot, (621, 712))
    face.show_frame(shown({"tape": found()}))
    for pane in (face.ruler, face.curve, face.response, face.receipt):
        assert face.rect().contains(pane.rect)
        assert pane.rect.height() >= 60
    picture = face.grab(face.curve.plot).toImage()
    assert pixels_like(picture, face.theme.measured) > 100, "the curve is drawn"
    assert face.subtitle == "newest 20 s, delay 137.0 samples, 2.85 ms"


@pytest.mark.parametrize(
    ("lag", "said"),
    [
        (0.1, "no delay"),
        (-0.1, "no delay"),
        (0.5, "delay 0.5 samples, 0.01 ms"),
        (-64.0, "delay −64.0 samples, −1.33 ms"),
    ],
)
def test_the_delay_is_told_in_samples_and_milliseconds(lag: float, said: str) -> None:
    assert face_words.delay_words(replace(STAGE, lag_samples=lag, lag_ms=lag / 48.0)) == said


def test_the_trim_is_copied_as_other_programs_take_it(qtbot) -> None:
    face = card(qtbot)
    face.show_frame(shown({"tape": found()}))
    assert face.labels["trim"].text == "C copies the trim"
    assert face.press("C")
    assert QGuiApplication.clipboard().text() == "-2.3"
    assert face.labels["trim"].text == "trim −2.3 dB copied"
    face._copied.timeout.emit()
    assert face.labels["trim"].text == "C copies the trim"
    assert not face.press("A")


def test_nothing_is_copied_where_nothing_is_to_be_trimmed(qtbot) -> None:
    QGuiApplication.clipboard().setText("kept")
    face = card(qtbot)
    assert not face.press("C"), "without figures another card may take the key"
    for stage in (FAIR, NOTHING_KNOWN, ENDLESS):
        face.show_frame(shown({"tape": found(stage)}))
        face.press("C")
        assert QGuiApplication.clipboard().text() == "kept"


def test_every_figure_of_a_card_comes_from_one_account(qtbot) -> None:
    """Figure, sentence, ruler, receipt and copy: a change of half a tenth moves all of them or none."""
    face, plan = card(qtbot, (410, 712)), wired({"tape": (2, 3, 4, 5)})
    face.show_frame(shown({"tape": found()}, plan))
    receipt = replace(STAGE.receipt, loudness_lu=2.36)
    near = replace(STAGE, loudness_change_lu=2.36, trim_db=-2.36, receipt=receipt)
    face.show_frame(shown({"tape": found(near)}, plan, 101.0))
    face.copy_trim()
    assert face.labels["figure"].text == "+2.4"
    assert "trim −2.4 dB" in face.labels["fair"].text
    assert "Bought: +2.4 LU" in face.value_text()
    assert QGuiApplication.clipboard().text() == "-2.4"


def test_a_pause_leaves_figures_and_verdict_faintly(qtbot) -> None:
    face, plan = card(qtbot), wired({"tape": (2, 3, 4, 5)})
    face.show_frame(shown({"tape": found()}, plan))
    face.show_frame(shown({"tape": found(state=SILENT, silent_side="both")}, plan, 101.0))
    assert [face.labels[name].role for name in ("figure", "fair", "squeeze")] == ["faint"] * 3
    assert face.labels["fair"].text.startswith("Not fair: after is 2.3 LU louder, trim −2.3 dB")
    assert face.labels["pair"].text == "No sound on either side now."
    assert face.press("C"), "the trim is still that of the stage"
    face.show_frame(shown({"tape": found(state=SILENT, silent_side="after")}, plan, 102.0))
    assert face.labels["fair"].text == "After is silent: nothing comes back from the stage."
    assert (face.labels["fair"].role, face.labels["figure"].role) == ("ink", "faint")


def test_figures_outlive_the_search_for_a_delay_that_moved(qtbot) -> None:
    face, plan = card(qtbot), wired({"tape": (2, 3, 4, 5)})
    face.show_frame(shown({"tape": found()}, plan))
    face.show_frame(shown({"tape": PairFindings(LINING_UP)}, plan, 101.0))
    assert (face.labels["figure"].text, face.labels["figure"].role) == ("+2.3", "faint")
    assert face.labels["fair"].text == "Finding the delay between before and after…"


@pytest.mark.parametrize("state", [LISTENING, UNRELATED])
def test_figures_do_not_outlive_a_reset_or_sides_that_do_not_belong_together(state, qtbot) -> None:
    face = card(qtbot)
    plan = wired({"tape": (2, 3, 4, 5)})
    face.show_frame(shown({"tape": found()}, plan))
    face.show_frame(shown({"tape": PairFindings(state)}, plan, 101.0))
    assert face.labels["figure"].text == ""
    assert not face.press("C")


def test_figures_do_not_outlive_their_source(qtbot) -> None:
    face = card(qtbot)
    face.show_frame(shown({"tape": found()}))
    face.show_frame(shown({"tape": PairFindings(SILENT, silent_side="both")}, seconds=101.0))
    assert face.labels["figure"].text == ""


def test_a_silent_side_is_named_and_both_levels_are_told(qtbot) -> None:
    face = card(qtbot)
    snapshot = shown({"tape": PairFindings(SILENT, silent_side="after")})
    snapshot.vector("stage.level")[:] = [-18.2, -math.inf]
    snapshot.vector("stage.true_max")[:] = [-3.2, -math.inf]
    face.show_frame(snapshot)
    assert "After is silent" in face.labels["fair"].text
    assert "before −18 dBFS, peak −3.2 dBTP; after −∞ dBFS, peak −∞ dBTP" in face.value_text()


def test_level_bars_move_with_the_sound_and_nothing_else_does(qtbot) -> None:
    face, plan, pair = card(qtbot, (1252, 712)), wired({"tape": (2, 3, 4, 5)}), found()
    face.show_frame(shown({"tape": pair}, plan))
    QApplication.processEvents()
    before = face.grab().toImage()
    QApplication.processEvents()
    paints = Paints(face)
    snapshot = shown({"tape": pair}, plan, 100.1)
    snapshot.vector("stage.level")[:] = [-10.0, -30.0]
    face.show_frame(snapshot)
    QApplication.processEvents()
    bars = face.levels.rect
    assert 0 < paints.area() < bars.width() * bars.height()
    assert paints.missed(before, face.grab().toImage()) == 0
    louder = pixels_like(face.grab(face.levels._bar(0)).toImage(), face.theme.measured)
    assert louder > 2 * pixels_like(face.grab(face.levels._bar(1)).toImage(), face.theme.measured)


def test_wrong_order_and_polarity_are_said_in_ink_and_notes_softly(qtbot) -> None:
    face = card(qtbot)
    face.show_frame(shown({"tape": found(WRONG)}))
    said = face.labels["pair"]
    assert "swapped" in said.text
    assert "inverted in left only" in said.text
    assert "After clips" in said.text
    assert said.role == "ink"
    face.show_frame(shown({"tape": found(notes=("delay moved from 137 to 201 samples",))}, seconds=101.0))
    assert said.text == "Delay moved from 137 to 201 samples."
    assert said.role == "soft"


def test_a_small_card_tells_what_is_wrong_before_anything_that_is_right(qtbot) -> None:
    face = card(qtbot, (384, 192))
    face.show_frame(shown({"tape": found(replace(STAGE, polarity=("inverted", "inverted")))}))
    assert face.labels["pair"].shown == ["Polarity is inverted."]
    face.show_frame(shown({"tape": found()}, seconds=101.0))
    assert face.labels["squeeze"].shown == ["squeeze usually 1.8 dB, up to 5.2"]


def test_the_total_of_a_chain_shows_the_steps_of_its_stages(qtbot) -> None:
    plan = wired(CHAIN)
    total = card(qtbot, meter_id="stage_3", title="bus to tape")
    bus = replace(STAGE, loudness_change_lu=-0.7)
    snapshot = shown({"bus": found(bus), "tape": found(), "bus to tape": found()}, plan)
    total.show_frame(snapshot)
    assert not total.steps.rect.isEmpty()
    assert total.curve.rect.isEmpty()
    assert total.subtitle.startswith("all stages together")
    assert total.labels["steps"].text == "bus −0.7 LU, tape +2.3 LU."
    alone = card(qtbot, title="bus")
    alone.show_frame(snapshot)
    assert alone.steps.rect.isEmpty()
    assert not alone.curve.rect.isEmpty()


def test_a_stage_tells_what_it_costs_the_stage_that_goes_on_from_it(qtbot) -> None:
    """Two levels into a curve of 2:1 above -20 dB: 3 dB more go in at -10, so 1.5 dB more are held down."""
    plan = wired(CHAIN)
    paid = replace(BOUGHT, level_before_db=-13.0, level_after_db=-10.0, next_squeeze_db=math.nan)
    curve = tuple((level, min(level, -20.0 + (level + 20.0) / 2.0)) for level in (-40.0, -20.0, -15.0, -5.0, 0.0))
    tape = replace(STAGE, squeeze=SqueezeFindings(2.0, 4.0, 5.0, 0.0, curve=curve), receipt=paid)
    own = found(replace(STAGE, receipt=paid))
    snapshot = shown({"bus": own, "tape": found(tape), "bus to tape": found()}, plan)
    bus = card(qtbot, title="bus")
    bus.show_frame(snapshot)
    told = dict(bus.receipt._columns)
    assert "next stage about 1.5 dB harder" in told["paid"]
    last = card(qtbot, meter_id="stage_2", title="tape")
    last.show_frame(snapshot)
    assert not any("next stage" in entry for _, entries in last.receipt._columns for entry in entries)
    assert face_chain.following(plan.feeds, "pair bus") == "pair tape"
    assert face_chain.following(plan.feeds, "pair tape") == ""


def test_every_card_of_a_page_of_four_has_a_picture(qtbot) -> None:
    face = card(qtbot, (621, 310))
    face.show_frame(shown({"tape": found()}))
    for pane, text in ((face.curve, "added"), (None, "squeeze"), (None, "receipt")):
        label = face.labels[text]
        assert label.shown
        assert pane is None or (face.rect().contains(pane.rect) and pane.rect.bottom() < label.rect.top())
    assert face.curve.rect.height() >= 150
    assert not face.curve.rect.intersects(face.labels["fair"].box.toRect())


def test_a_rising_stage_is_drawn_as_a_step_up(qtbot) -> None:
    def filled(change_lu: float) -> tuple[int, int]:
        """First and last row of the step of the only stage that changes anything."""
        plan = wired(CHAIN)
        face = card(qtbot, (621, 712), "stage_3", "bus to tape")
        changes = {
            "bus": replace(STAGE, loudness_change_lu=0.0),
            "tape": replace(STAGE, loudness_change_lu=change_lu),
        }
        stages = {name: found(stage) for name, stage in changes.items()} | {"bus to tape": found()}
        face.show_frame(shown(stages, plan))
        column = face.steps.rect.left() + round(face.steps.rect.width() * 2 / 3)
        picture = rows_of(face.grab(face.steps.inner).toImage())[:, column - face.steps.rect.left()]
        colour = mixed(face.theme.card, face.theme.measured, 0.35).rgb()
        rows = np.flatnonzero(picture == colour)
        return int(rows[0]), int(rows[-1])

    up, down = filled(3.0), filled(-3.0)
    assert up[1] - up[0] == pytest.approx(down[1] - down[0], abs=2)
    assert up[1] - up[0] > 40


def test_stages_of_a_chain_are_those_between_its_ends() -> None:
    feeds = {f"pair {name}": columns for name, columns in CHAIN.items()} | {
        "mix": (0, 1),
        "pair aside": (8, 9, 10, 11),
    }
    assert face_chain.stages_of(feeds, "pair bus to tape") == ("pair bus", "pair tape")
    assert face_chain.stages_of(feeds, "pair bus") == ()
    assert face_chain.stages_of(feeds, "pair gone") == ()
    longer = {"pair bus to tape": feeds["pair bus to tape"]} | feeds  # a total first must not stand for its stages
    longer |= {"pair last": (6, 7, 8, 9), "pair bus to last": (2, 3, 8, 9)}
    assert face_chain.stages_of(longer, "pair bus to last") == ("pair bus", "pair tape", "pair last")
    ring = {"pair one": (0, 1), "pair two": (1, 0), "pair three": (0, 0)}
    assert face_chain.stages_of(ring, "pair three") == ("pair one", "pair two")


def test_without_a_pair_the_card_invites_and_its_button_leads_on(qtbot) -> None:
    face = card(qtbot, (1252, 712))
    asked: list[str] = []
    face.action_asked.connect(asked.append)
    face.show_frame(shown({}))
    button = face.findChild(QPushButton)
    assert button.isVisible()
    assert (button.text(), face.curve.rect.isEmpty()) == ("choose more channels", True)
    button.click()
    plan = wired({})
    face.show_frame(shown({}, plan, 101.0, device_channels=8))
    assert button.text() == "name a stage"
    button.click()
    assert asked == ["source", "feeds"]
    for size in SIZES:
        face.resize(*size)
        face.grab()
        assert_text_fits(face)
    face.show_frame(shown({"tape": found()}, seconds=102.0))
    assert not button.isVisible()


def test_a_pair_says_its_findings_to_a_reader(qtbot) -> None:
    face = card(qtbot, (200, 110))
    face.show_frame(shown({"tape": found()}))
    said = face.value_text()
    for words in ("+2.3 LU louder", "Not fair", "Squeeze, leaning", "Added: −34.2 dB", "Bought: +2.3 LU", "Paid:"):
        assert words in said


def test_a_new_finding_redraws_the_card_and_the_same_one_does_not(qtbot, monkeypatch) -> None:
    face = card(qtbot)
    plan, pair = wired({"tape": (2, 3, 4, 5)}), found()
    face.show_frame(shown({"tape": pair}, plan))
    before = rows_of(face.grab().toImage())
    laid_out = []
    monkeypatch.setattr(face, "arrange", laid_out.append)
    face.show_frame(shown({"tape": pair}, plan, 101.0))
    assert (rows_of(face.grab().toImage()) == before).all()
    moved = tuple((level, out - 2.0) for level, out in STAGE.squeeze.curve)
    face.show_frame(shown({"tape": found(replace(STAGE, squeeze=replace(STAGE.squeeze, curve=moved)))}, plan, 102.0))
    assert (rows_of(face.grab().toImage()) != before).any()
    assert not laid_out, "a picture that moves lays nothing out again"


def test_scales_hold_what_is_drawn_and_do_not_jump() -> None:
    assert reach_of([2.0, math.nan, -math.inf]) == 3.0
    assert reach_of([2.0], 6.0) == 3.0
    assert reach_of([2.9], 6.0) == 6.0, "it keeps a scale that is half filled"
    assert reach_of([500.0]) == 48.0
    assert grid(-6.0, 6.0, 3) == [-6.0, 0.0, 6.0]
    assert len(grid(-90.0, 0.0, 4)) <= 4
