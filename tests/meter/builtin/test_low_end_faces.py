"""The faces of the low end: any number of parts in any state, words that are true, clicks that choose."""

from __future__ import annotations

import importlib
import itertools
import math
from typing import Any

import msgspec
import numpy as np
import pytest
from PySide6.QtCore import QEvent, QPoint, Qt
from PySide6.QtGui import QHelpEvent
from PySide6.QtWidgets import QApplication, QPushButton, QToolTip

from meter.builtin.low_end.face_shape import x_of
from meter.gui.kit.theme import DARK, LIGHT, apply_theme, mixed
from meter.plugin.face import Face
from meter.readings import Frame, Layout
from tests.support import faces, frames, low_readings
from tests.support.faces import Paints, assert_text_fits, pixels_like, widened, words_of
from tests.support.frames import values_at
from tests.support.low_readings import MANIFEST, filled, frame, nothing

FACES = {"owners": MANIFEST.face, **MANIFEST.views}
PAGE_SIZES = {
    "owners": (1252, 215), "parts": (468, 487), "price": (444, 487), "ring": (320, 235), "pair": (320, 242),
    "lows": (1252, 460),
}  # fmt: skip
SMALL_PAGE_SIZES = {
    "owners": (996, 165),
    "parts": (371, 377),
    "price": (351, 377),
    "ring": (254, 181),
    "pair": (254, 186),
    "lows": (996, 340),
}
"""Of the page in a window of 1024 by 640."""
LEAST_PAGE_SIZES = {
    "owners": (792, 140),
    "parts": (293, 322),
    "price": (278, 322),
    "ring": (201, 154),
    "pair": (201, 158),
    "lows": (792, 304),
}
"""Of the page in the smallest window."""
EACH_PAGE = {"page": PAGE_SIZES, "small page": SMALL_PAGE_SIZES, "least page": LEAST_PAGE_SIZES}
OTHER_SIZES = [(900, 600), (367, 330), (320, 180), (342, 144), (300, 300), (1200, 130), (1800, 420)]
COUNTS = (0, 1, 2, 8, 31)
STALE = {"age": 75.0}
LISTENING = {"heard": 4.0}
NEGATIVE = {"share": [130.0, -38.0, 8.0], "role": [1.0, 4.0, 2.0], "band_share": [120.0, -20.0, 0.0, math.nan]}
STATES: dict[str, Any] = {
    "usual": frame,
    "nothing": nothing,
    "silence": lambda parts: filled(parts, -math.inf),
    "endless": lambda parts: filled(parts, math.inf),
    "huge": lambda parts: filled(parts, 1e38),
    "tiny": lambda parts: filled(parts, -1e38),
    "stale": lambda parts: frame(parts, STALE if parts else {}),
    "listening": lambda parts: frame(parts, LISTENING if parts else {}),
    "negative": lambda parts: frame(parts, NEGATIVE if parts else {}),
    "bus adds": lambda parts: frame(parts, {"mix_bus_difference": 3.4} if parts else {}),
    "bus takes": lambda parts: frame(parts, {"mix_bus_difference": -40.0} if parts else {}),
    "bad places": lambda parts: frame(
        parts, dict.fromkeys(("spoken_of", "culprit", "pair_first", "mono_worst"), 99.0)
    ),
}


@pytest.fixture(autouse=True)
def _dark(qapp):
    apply_theme(qapp, "dark")


def make(view: str, qtbot, **settings: Any) -> Face:
    module, _, name = FACES[view].partition(":")
    face: Face = getattr(importlib.import_module(module), name)()
    face.stand_for(MANIFEST.id, MANIFEST.title_of("" if view == "owners" else view))
    qtbot.addWidget(face)
    face.show_settings(MANIFEST.settings(settings))
    face.resize(*PAGE_SIZES[view])
    face.show()
    return face


@pytest.mark.parametrize("parts", COUNTS)
@pytest.mark.parametrize("view", FACES)
def test_text_fits_in_every_state_and_size(view: str, parts: int, qtbot) -> None:
    face = make(view, qtbot)
    least = (face.minimumSizeHint().width(), face.minimumSizeHint().height())
    made = {state: readings(parts) for state, readings in STATES.items()}
    for number, (state, size) in enumerate(itertools.product(STATES, [PAGE_SIZES[view], least, *OTHER_SIZES])):
        face.resize(*size)
        face.show_frame(_at(made[state], number))
        assert face.fault == "", state
        assert_text_fits(face)


def _at(snapshot, number: int):
    return type(snapshot)(
        snapshot.layout, snapshot.values, low_readings.status(100.0 + number, channels=4), snapshot.findings
    )


@pytest.mark.parametrize("theme", [DARK, LIGHT], ids=["dark", "light"])
@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("view", FACES)
def test_every_state_paints_and_nothing_is_vermilion(view: str, state: str, theme, qapp, qtbot) -> None:
    apply_theme(qapp, theme.name)
    face = make(view, qtbot)
    for parts in COUNTS[::2] if theme is DARK else COUNTS[1::2]:
        face.show_frame(STATES[state](parts))
        picture = face.grab().toImage()
        assert face.fault == ""
        assert pixels_like(picture, theme.broken) == 0
        assert pixels_like(picture, theme.held) == 0, "nothing on this page is held"
        assert face.value_text() or not parts


@pytest.mark.parametrize("view", FACES)
def test_the_same_readings_paint_nothing(view: str, qapp, qtbot) -> None:
    face = make(view, qtbot)
    face.show_frame(frame(6))
    qapp.processEvents()
    paints = Paints(face)
    for number in range(1, 6):
        face.show_frame(_at(frame(6), number))
        qapp.processEvents()
    assert paints.regions == []


@pytest.mark.parametrize("view", FACES)
def test_all_that_changes_is_repainted(view: str, qapp, qtbot) -> None:
    """What a face repaints by itself is what a picture of the whole face shows: no leftovers of an old reading."""
    face = make(view, qtbot)
    face.show_frame(frame(0))
    turns = [*STATES, "usual", "bus takes", "usual", "negative"]
    spoken_of = itertools.cycle((0.0, 3.0, 1.0, 5.0, 2.0))
    for number, state in enumerate(turns):
        usual = state == "usual"
        snapshot = frame(6, {"spoken_of": next(spoken_of)}) if usual else STATES[state](6)
        qapp.processEvents()
        before = face.grab().toImage()
        paints = Paints(face)
        face.show_frame(_at(snapshot, number + 1))
        qapp.processEvents()
        face.removeEventFilter(paints)
        assert paints.missed(before, face.grab().toImage()) == 0, state


# The mix alone


MIX_LAYOUTS = {channels: frames.layout(channels) for channels in (1, 2, 3, 16)}


def mix_alone(changes: dict[str, Any] | None = None, channels: int = 2, seconds: float = 100.0, of: int = 0) -> Any:
    """A snapshot of all meters on a mix without parts."""
    plan = MIX_LAYOUTS[channels]
    values = widened(values_at(100.0) | (changes or {}), plan)
    return frames.frame(
        given=values, plan=plan, feed=low_readings.status(seconds, channels=channels, device_channels=of)
    )


@pytest.mark.parametrize(("channels", "action", "words"), [
    (16, "feeds", "name the parts"), (3, "feeds", "name the parts"), (2, "source", "choose more channels"),
    (1, "source", "choose more channels"),
])  # fmt: skip
@pytest.mark.parametrize("width", [1252, 996, 300])
def test_without_parts_one_click_leads_to_them(width: int, channels: int, action: str, words: str, qtbot) -> None:
    face = make("owners", qtbot)
    face.resize(width, 215 if width > 300 else 110)
    face.show_frame(mix_alone(channels=channels))
    (button,) = face.findChildren(QPushButton)
    assert button.isVisible()
    assert button.text() == words
    asked = []
    face.action_asked.connect(asked.append)
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    assert asked == [action]
    if width > 300:
        assert face.labels["way"].text.count(".") == 2
        assert not face.labels["way"].elided
    face.show_frame(_at(frame(3), 1))
    assert not button.isVisible()
    assert face.labels["way"].shown == face.labels["mono"].shown == []
    assert_text_fits(face)


def test_two_channels_of_a_device_with_more_lead_to_naming_them(qtbot) -> None:
    face = make("owners", qtbot)
    face.resize(1252, 215)
    face.show_frame(mix_alone(channels=2, of=8))
    (button,) = face.findChildren(QPushButton)
    asked = []
    face.action_asked.connect(asked.append)
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    assert (button.text(), asked) == ("name the parts", ["feeds"])


def test_the_mix_alone_is_told_by_band(qtbot) -> None:
    """Bands at 0, 3, 0 and 0 dB over one another hold 20, 40, 20 and 20 % (10 lg 2 = 3.01)."""
    level = {"mono_lows.band_level": [-30.0, -26.9897, -30.0, -30.0]}
    face = make("owners", qtbot)
    face.show_frame(mix_alone(level))
    assert face.labels["verdict"].shown == ["40–60 Hz holds 40 % of the mix's lows"]
    assert face.labels["mono"].text == "The lows lose 1.8 dB in mono."
    assert "last 3 s of the mix" in face.subtitle
    widths = [block.box.width() for block in face._blocks[0]]
    assert [width / sum(widths) for width in widths] == pytest.approx([0.2, 0.4, 0.2, 0.2], abs=0.002)
    asked = []
    face.setting_chosen.connect(lambda *chosen: asked.append(chosen))
    qtbot.mouseClick(face, Qt.MouseButton.LeftButton, pos=face._blocks[0][1].box.center())
    parts = make("parts", qtbot)
    parts.setting_chosen.connect(lambda *chosen: asked.append(chosen))
    parts.show_frame(mix_alone(level))
    assert [row.texts for row in parts._rows] == [
        ("20–40 Hz", "20 %", "−30.0", "−0.1", "0.1 dB left"), ("40–60 Hz", "40 %", "−27.0", "−0.4", "0.6 dB left"),
        ("60–90 Hz", "20 %", "−30.0", "−4.2", "2.4 dB right"), ("90–120 Hz", "20 %", "−30.0", "−0.3", "0.2 dB left"),
    ]  # fmt: skip
    assert parts._shown_part == 2
    qtbot.mouseClick(parts, Qt.MouseButton.LeftButton, pos=parts._table.center())
    assert asked == []
    price = make("price", qtbot)
    price.show_frame(mix_alone(level))
    assert price.labels["name"].text == "the mix"
    assert price.labels["price"].text.startswith("Strongest low 49 Hz, near G1.")
    assert price._shape.size() > 100


def test_the_lows_of_the_mix_are_drawn_with_notes_and_told_by_band(qtbot) -> None:
    """Bands at 0, 3, 0 and 0 dB over one another hold 20, 40, 20 and 20 % (10 lg 2 = 3.01)."""
    face = make("lows", qtbot)
    level = {"mono_lows.band_level": [-30.0, -26.9897, -30.0, -30.0]}
    for seconds in (100.0, 103.0):
        face.show_frame(mix_alone(level, seconds=seconds))
    assert face.labels["strongest"].text == "strongest low: 49 Hz, near G1"
    told = [[face.labels[f"{line}{band}"].text for line in ("name", "share", "level", "mono")] for band in range(4)]
    assert told[1] == ["40–60 Hz", "40 % of the lows", "−27.0 dBFS", "mono loss −0.4 dB"]
    assert [each[3] for each in told] == [f"mono loss −{loss} dB" for loss in (0.1, 0.4, 4.2, 0.3)]
    assert [face.labels[f"mono{band}"].role for band in range(4)] == ["soft", "soft", "ink", "soft"]
    peak = max(range(face._filled.size()), key=lambda n: -face._filled.at(n).y())
    assert face._filled.at(peak).x() == pytest.approx(face._at(49.0), abs=4)  # the highest point stands over G1
    face.show_frame(mix_alone({"mono_lows.age": 75.0}, seconds=104.0))
    assert face.labels["mono2"].role == "faint"


@pytest.mark.parametrize("sizes", EACH_PAGE.values(), ids=EACH_PAGE)
@pytest.mark.parametrize("view", ["parts", "price", "ring", "pair"])
def test_without_parts_every_card_says_what_it_would_show(view: str, sizes, qtbot) -> None:
    face = make(view, qtbot)
    face.resize(*sizes[view])
    face.show_frame(mix_alone())
    assert "named:" in words_of(face)
    assert all(not label.elided for label in face.labels.values())
    face.show_frame(_at(frame(3), 1))
    assert "named:" not in words_of(face)
    assert_text_fits(face)


MIX_STATES: dict[str, dict[str, Any]] = {
    "usual": {}, "stopped": {"mono_lows.age": 75.0}, "one sided": {"mono_lows.balance_now": math.inf},
    "vanishes": {"mono_lows.loss_now": -math.inf, "mono_lows.band_loss": -math.inf},
    "not yet": {f"mono_lows.{key}": math.nan for key in ("band_level", "loss_now", "balance_now", "age")},
    "silence": {"mono_lows.band_level": -math.inf, "spectrum.fine": -math.inf, "mono_lows.loss_now": math.nan},
    "huge": {"mono_lows.band_level": 1e38, "mono_lows.loss_now": -1e38, "spectrum.fine": 1e38},
    "endless": {"mono_lows.band_level": math.inf, "spectrum.fine": math.inf},
    "no spectrum": {"spectrum.fine": math.nan},
}  # fmt: skip


@pytest.mark.parametrize("view", FACES)
def test_the_mix_alone_fits_in_every_state_and_size(view: str, qtbot) -> None:
    face = make(view, qtbot)
    least = (face.minimumSizeHint().width(), face.minimumSizeHint().height())
    turns = itertools.product(MIX_STATES, [PAGE_SIZES[view], least, *OTHER_SIZES], (1, 2, 16))
    for number, (state, size, channels) in enumerate(turns):
        face.resize(*size)
        face.show_frame(mix_alone(MIX_STATES[state], channels, 100.0 + number))
        assert face.fault == "", state
        assert_text_fits(face)


def test_bands_that_hold_the_same_do_not_take_turns(qtbot) -> None:
    face = make("owners", qtbot)
    told = []
    for number, second in enumerate((-25.2, -24.9, -25.1, -24.8, -23.0)):
        levels = {"mono_lows.band_level": [-25.0, second, -40.0, -40.0]}
        face.show_frame(mix_alone(levels, 2, 100.0 + number))
        told.append(face.labels["verdict"].text[:5])
    assert told == ["20–40"] * 4 + ["40–60"]


def test_the_mix_alone_is_redrawn_with_the_words_only(qapp, qtbot) -> None:
    """Its shares are those of 3 s and move with every frame: the card would be painted whole 60 times a second."""
    face = make("owners", qtbot)
    face.show_frame(mix_alone())
    qapp.processEvents()
    paints = Paints(face)
    for number in range(1, 12):
        levels = {"mono_lows.band_level": [-25.0 - number, -25.0, -40.0, -40.0]}
        face.show_frame(mix_alone(levels, 2, 100.0 + 0.02 * number))
        qapp.processEvents()
    assert paints.regions == []


def test_the_mix_alone_ages_when_the_music_stops(qtbot) -> None:
    face = make("owners", qtbot)
    face.show_frame(mix_alone(MIX_STATES["stopped"]))
    assert face.labels["verdict"].text.endswith(", 1 min ago")
    assert face.labels["verdict"].role == "soft"
    assert pixels_like(face.grab().toImage(), DARK.measured) == 0
    face.show_frame(mix_alone(MIX_STATES["not yet"], 1, 101.0))
    assert face.labels["verdict"].text == "one channel: its lows are not told apart by band"


# Long names and many parts

LONG = tuple(f"{number:02d} orchestral low drum ensemble hall mic" for number in range(31))


def long_named(parts: int, changes: dict[str, Any] | None = None, seconds: float = 100.0) -> Any:
    """A snapshot of parts with names of 40 letters."""
    usual = frame(parts, changes)
    described = low_readings.values(parts) | {f"low_end.{key}": value for key, value in (changes or {}).items()}
    given = {"mix": (0, 1)} | {f"part {name}": (2 + n,) for n, name in enumerate(LONG[:parts])}
    plan = Layout(usual.layout.slots, given)
    studied = {"low_end.account": low_readings.findings(described, LONG[:parts])}
    return Frame(plan, usual.values, low_readings.status(seconds, channels=parts + 2), studied)


@pytest.mark.parametrize("parts", [1, 2, 8, 30])
@pytest.mark.parametrize("state", [{}, STALE, {"mix_bus_difference": -4.2}], ids=["usual", "stale", "bus takes"])
@pytest.mark.parametrize("size", [(1252, 215), (996, 165), (720, 215)])
def test_the_verdict_is_never_cut_off(size, state, parts: int, qtbot) -> None:
    face = make("owners", qtbot)
    face.resize(*size)
    face.show_frame(long_named(parts, state))
    verdict, bus = face.labels["verdict"], face.labels["bus"]
    assert not verdict.elided
    assert ("%" in verdict.shown[0]) == (parts > 1)
    assert not bus.shown or verdict.box.right() + 12 <= bus.box.left()
    if parts > 2:
        assert face.labels["other0"].text.endswith("  7 %")
        assert not face.labels["other0"].elided


HEARD_NOTHING = {
    "pair_first": math.nan,
    "pair_second": math.nan,
    "ring": math.nan,
    "floor": math.nan,
    "floor_lower": math.nan,
    "floor_doubt": 2.0,
}
CUT_STATES: dict[str, dict[str, Any]] = {
    "usual": {}, "stale": STALE, "nothing heard": HEARD_NOTHING, "seldom": {"pair_gap": math.nan},
    "turns": {"pair_sum_gain": math.nan, "pair_verdict": 2.0}, "listening": {"pair_verdict": 0.0} | LISTENING,
    "late": {"pair_gap": 23.0, "overhang": -60.0}, "fast": {"ring": 20.0},
}  # fmt: skip


@pytest.mark.parametrize("parts", [1, 2, 8, 30])
@pytest.mark.parametrize("sizes", EACH_PAGE.values(), ids=EACH_PAGE)
@pytest.mark.parametrize("view", FACES)
def test_long_names_cut_no_sentence(view: str, sizes, parts: int, qtbot) -> None:
    face = make(view, qtbot)
    face.resize(*sizes[view])
    for number, (state, changes) in enumerate(CUT_STATES.items()):
        face.show_frame(long_named(parts, changes, 100.0 + number))
        cut = [name for name, label in face.labels.items() if label.elided]
        assert cut == [], f"{state}: {[face.labels[name].shown for name in cut]}"


@pytest.mark.parametrize("size", [(513, 411), (406, 319), (548, 428)])
@pytest.mark.parametrize("age", [0.0, 75.0])
@pytest.mark.parametrize("verdict", [1.0, 3.0])
def test_the_part_behind_a_loss_of_the_mix_cuts_no_sentence(size, age: float, verdict: float, qtbot) -> None:
    face = faces.make("mono_lows", qtbot, size)
    usual = long_named(5)
    told = {
        "band_low_edge": [20, 40, 60, 90], "band_high_edge": [40, 60, 90, 120], "band_loss": [0.0, 0.0, -4.2, 0.0],
        "band_balance": 0.0, "band_level": -20.0, "band_votes": 1.0, "worst_band": 2.0, "verdict": verdict,
        "loss_now": -1.8, "balance_now": -0.4, "fold_down_loss": -1.4, "age": age,
    }  # fmt: skip
    values = usual.values.copy()
    for key, value in told.items():
        slot = usual.layout.by_key[f"mono_lows.{key}"]
        values[slot.offset : slot.offset + slot.size] = value
    face.show_frame(Frame(usual.layout, values, usual.status, usual.findings))
    label = face.labels["verdict"]
    assert "60–90 Hz largely cancels in mono: 03" in label.text
    assert not label.elided


def test_what_is_no_judgement_has_no_age(qtbot) -> None:
    face = make("pair", qtbot)
    face.show_frame(frame(3, STALE | {"pair_sum_gain": math.nan, "pair_verdict": 0.0}))
    assert face.labels["verdict"].text == "listening for hits of both…"
    face.show_frame(_at(frame(3, STALE), 1))
    assert face.labels["verdict"].text.endswith("1 min ago")


def test_the_picture_of_a_part_is_dimmed_when_the_music_stops(qtbot) -> None:
    face = make("price", qtbot)
    face.show_frame(frame(3))
    filled_with = mixed(DARK.card, DARK.measured, 0.42)
    assert pixels_like(face.grab().toImage(), filled_with, 3) > 1000
    face.show_frame(_at(frame(3, STALE), 1))
    assert pixels_like(face.grab().toImage(), filled_with, 3) == 0


@pytest.mark.parametrize("width", [444, 240])
def test_a_long_name_and_why_it_is_shown_do_not_overlap(width: int, qtbot) -> None:
    face = make("price", qtbot)
    face.resize(width, 487)
    face.show_frame(long_named(8))
    assert face.labels["why"].shown == []
    assert face.labels["name"].text.startswith("02 orc")
    assert face.labels["name"].text.endswith("mic")
    assert_text_fits(face)
    face.show_frame(_at(frame(8), 1))
    assert (face.labels["why"].shown != []) == (width == 444)


def test_a_name_that_is_cut_is_told_whole_when_pointed_at(qtbot) -> None:
    face = make("parts", qtbot)
    face.show_frame(long_named(8))
    at = QPoint(face._table.left() + 20, face._table.top() + 40)
    QApplication.sendEvent(face, QHelpEvent(QEvent.Type.ToolTip, at, face.mapToGlobal(at)))
    assert QToolTip.text() == LONG[0]
    QToolTip.hideText()


def test_one_part_is_not_said_to_own_all(qtbot) -> None:
    face = make("owners", qtbot)
    face.show_frame(frame(1, {"share": 100.0, "role": 1.0}))
    assert face.labels["verdict"].text == "kick is the only part named: no share to compare"


# All of it


@pytest.mark.parametrize("view", FACES)
def test_nothing_touches_the_edge_of_the_card(view: str, qtbot) -> None:
    rng = np.random.default_rng(6)
    face = make(view, qtbot)
    for number in range(40):
        face.resize(int(rng.integers(face.least.width(), 1300)), int(rng.integers(face.least.height(), 560)))
        face.show_frame(_at(frame((2, 8, 31)[number % 3], (NEGATIVE, {})[number % 2]), number))
        picture = face.grab().toImage()
        right, bottom = picture.width() - 3, picture.height() - 3
        across, down = range(12, picture.width() - 12), range(12, picture.height() - 12)
        ring = [(x, y) for x in across for y in (2, bottom)] + [(x, y) for y in down for x in (2, right)]
        assert {picture.pixelColor(x, y).name() for x, y in ring} == {DARK.card.name()}, face.size()


@pytest.mark.parametrize("view", FACES)
def test_nothing_ever_orders_or_praises(view: str, qtbot) -> None:
    face = make(view, qtbot)
    for state, parts in itertools.product(STATES, COUNTS):
        face.show_frame(STATES[state](parts))
        said = f" {words_of(face).casefold()} "
        for word in ("should", "must", " bad", "good", "wrong", "fix ", "problem", "error", "too much"):
            assert word not in said


# Who owns it


def test_owners_are_named_with_what_they_hold(qtbot) -> None:
    face = make("owners", qtbot)
    face.show_frame(frame(5))
    assert face.labels["verdict"].text == "kick and bass own the low end: 88 %"
    assert face.labels["others"].text == "others over 3 %"
    assert face.labels["other0"].text == "organ  7 %"
    assert face.labels["bus"].text == ""
    face.show_frame(frame(5, {"mix_bus_difference": -1.6}))
    face.show_settings(face.settings)
    assert face.labels["bus"].text == "mix bus takes 1.6 dB"


def test_blocks_are_as_wide_as_shares(qtbot) -> None:
    face = make("owners", qtbot)
    face.show_frame(frame(5))
    blocks = face._blocks[0]
    whole = blocks[-1].box.right() + 1 - blocks[0].box.left()
    for block in blocks:
        assert block.box.width() / whole == pytest.approx(block.part.share / 100.0, abs=0.002)
    assert [block.owner for block in blocks] == [0, 1, -1, -1, -1]


def test_blocks_move_with_every_frame_and_their_figures_only_with_the_words(qtbot) -> None:
    face = make("owners", qtbot)
    shares = ([60.0, 40.0], [52.0, 48.0])
    plan = [frame(2, {"role": [1.0, 1.0], "share": share}) for share in shares]
    written, widths = [], []
    for snapshot, seconds in ((plan[0], 100.0), (plan[1], 100.1), (plan[1], 100.3)):
        face.show_frame(
            Frame(plan[0].layout, snapshot.values, low_readings.status(seconds, channels=4), snapshot.findings)
        )
        widths.append(face._blocks[0][0].box.width())
        written.append([face._figure(block.part) for block in face._blocks[0]])
    assert widths[1] == widths[2] < widths[0]
    assert written == [["60 %", "40 %"], ["60 %", "40 %"], ["52 %", "48 %"]]


def test_all_columns_stand_on_the_page(qtbot) -> None:
    face = make("parts", qtbot)
    face.show_frame(frame(3))
    assert [column for column, _ in face._columns] == list(range(6))


def test_what_cancels_hangs_apart_and_is_said(qtbot) -> None:
    """Shares of 130, -38 and 8 %: what is positive fills the bar, what takes away hangs under its end."""
    face = make("owners", qtbot)
    face.show_frame(frame(3, NEGATIVE))
    assert "bass cancels 38 %" in face.labels["verdict"].text
    ((part, box),) = face._cancels
    bar = face._blocks[0]
    assert part.name == "bass"
    assert box.top() > bar[0].box.bottom()
    assert box.right() == bar[-1].box.right()
    assert box.width() / (bar[-1].box.right() + 1 - bar[0].box.left()) == pytest.approx(38.0 / 138.0, abs=0.01)


def test_until_the_span_is_filled_it_listens_and_when_music_stops_the_verdict_ages(qtbot) -> None:
    face = make("owners", qtbot)
    face.show_frame(frame(3, LISTENING))
    assert face.labels["verdict"].text == "listening… 4 of 10 s"
    face.show_frame(frame(3, LISTENING | STALE, seconds=101.0))
    assert face.labels["verdict"].text == "heard 4 of 10 s, 1 min ago"
    face.show_frame(frame(3, LISTENING, seconds=102.0))
    bright = pixels_like(face.grab().toImage(), DARK.measured)
    face.show_frame(_at(frame(3, STALE), 3))
    assert face.labels["verdict"].text == "kick and bass own the low end: 88 %, 1 min ago"
    assert face.labels["verdict"].role == "soft"
    assert bright == pixels_like(face.grab().toImage(), DARK.measured) == 0


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({}, "last 10 s"),
        ({"tempo_bpm": 97.5}, "last 8 bars at 97.5 BPM"),
        ({"span": "marked"}, "since the mark"),
        ({"span": "sitting"}, "the whole sitting"),
    ],
)
def test_the_label_names_the_window(settings: dict[str, Any], words: str, qtbot) -> None:
    assert make("owners", qtbot, **settings).subtitle == f"20–120 Hz, {words}"


def test_a_click_on_a_block_shows_its_part(qtbot) -> None:
    face = make("owners", qtbot)
    face.show_frame(frame(5))
    chosen = []
    face.setting_chosen.connect(lambda _meter, setting: chosen.append(setting))
    qtbot.mouseClick(face, Qt.MouseButton.LeftButton, pos=face._blocks[0][1].box.center())
    face.show_settings(MANIFEST.settings({"part": "bass"}))
    qtbot.mouseClick(face, Qt.MouseButton.LeftButton, pos=face._blocks[0][1].box.center())
    qtbot.mouseClick(face, Qt.MouseButton.LeftButton, pos=QPoint(5, 5))
    assert chosen == [{"part": "bass"}, {"part": ""}]


@pytest.mark.parametrize("width", [PAGE_SIZES["owners"][0], 870, 400, 300])
def test_what_the_owners_hold_is_never_left_out(width: int, qtbot) -> None:
    face = make("owners", qtbot)
    face.resize(width, 152)
    face.show_frame(frame(4, {"role": [2.0, 1.0, 1.0, 1.0], "share": [11.0, 40.0, 29.0, 20.0]}))
    assert "89 %" in face.labels["verdict"].shown[0]


# Parts


def test_a_row_for_each_part_in_the_order_of_the_feeds(qtbot) -> None:
    face = make("parts", qtbot)
    face.show_frame(frame(6, {"role": [2.0, 1.0, 1.0, 0.0, 4.0, 3.0], "share": [8, 40, 60, math.nan, -9, 1]}))
    assert [row.texts[0] for row in face._rows] == list(low_readings.names(6))
    assert face._rows[2].texts == ("organ", "60 %", "C2 65 Hz", "−17", "0", "–")
    assert face._rows[3].texts[2] in ("silent", "G2 98 Hz")


@pytest.mark.parametrize("theme", [DARK, LIGHT], ids=["dark", "light"])
def test_a_part_keeps_its_place_and_colour_when_shares_cross(theme, qapp, qtbot) -> None:
    """Shares of two parts cross and one falls from owner to other: order, colour and sentence stay."""
    apply_theme(qapp, theme.name)
    face, table = make("owners", qtbot), make("parts", qtbot)
    seen, rows, colours = set(), set(), []
    crossing = (([45, 40, 15], [1, 1, 2]), ([40, 45, 15], [1, 1, 2]), ([30, 25, 45], [1, 2, 1]))
    for number, (share, role) in enumerate(crossing):
        snapshot = _at(frame(3, {"share": share, "role": role, "spoken_of": math.nan}), number)
        face.show_frame(snapshot)
        table.show_frame(snapshot)
        seen.add(tuple(block.part.name for block in face._blocks[0]))
        rows.add(tuple(row.texts[0] for row in table._rows))
        picture = face.grab().toImage()
        corners = [block.box.bottomLeft() + QPoint(2, -2) for block in face._blocks[0]]
        colours.append([picture.pixelColor(corner).name() for corner in corners])
    assert seen == rows == {("kick", "bass", "organ")}
    assert colours[0] == colours[1] == colours[2]
    assert len(set(colours[0])) == 3, "neighbours are told apart"


def test_a_band_of_the_mix_keeps_its_colour_when_another_is_the_strongest(qtbot) -> None:
    face = make("owners", qtbot)
    colours = []
    for number, levels in enumerate(([-20.0, -30.0, -26.0, -28.0], [-30.0, -20.0, -26.0, -28.0])):
        face.show_frame(mix_alone({"mono_lows.band_level": levels}, 2, 100.0 + number))
        picture = face.grab().toImage()
        corners = [block.box.bottomLeft() + QPoint(2, -2) for block in face._blocks[0]]
        colours.append([picture.pixelColor(corner).name() for corner in corners])
    assert colours[0] == colours[1]
    assert len(set(colours[0])) == 4


def test_the_part_behind_a_loss_is_named(qtbot) -> None:
    face = make("parts", qtbot)
    face.show_frame(frame(5))
    assert (
        face.labels["mono"].text
        == "The lows lose 4.2 dB in mono at 60–90 Hz, 1.4 dB as a whole; with plucked pair in mono −0.1 dB."
    )
    assert face.labels["loses"].text.startswith("alone in mono: ")
    face.show_frame(_at(frame(5, {"mono_loss_bands": -0.1, "part_mono_loss_bands": -0.4, "culprit": math.nan}), 1))
    assert face.labels["mono"].text.startswith("The lows survive mono")
    assert face.labels["loses"].text == ""
    face.show_frame(_at(frame(5, {"mono_loss_bands": -math.inf}), 2))
    assert "vanish in mono" in face.labels["mono"].text


def test_thirty_one_parts_scroll(qtbot) -> None:
    face = make("parts", qtbot)
    face.show_frame(frame(31))
    assert 0 < face._fitting < 31
    chosen = []
    face.setting_chosen.connect(lambda _meter, setting: chosen.append(setting["part"]))
    place = QPoint(face._table.left() + 10, face._table.top() + face._columns[0][1].height() * 3 // 2)
    qtbot.mouseClick(face, Qt.MouseButton.LeftButton, pos=place)
    face._scroll_to(1000)
    assert face._first == 31 - face._fitting
    qtbot.mouseClick(face, Qt.MouseButton.LeftButton, pos=place)
    assert chosen == [face._rows[0].texts[0], face._rows[31 - face._fitting].texts[0]]
    face.show_frame(_at(frame(2), 1))
    assert face._first == 0


# What may go


def test_the_price_is_one_sentence_of_costs(qtbot) -> None:
    face = make("price", qtbot)
    face.show_frame(frame(5))
    assert face.labels["name"].text == "organ"
    assert face.labels["price"].text == (
        "High-pass up to 39 Hz, 12 dB per octave: rumble cut 82 %, C2 −0.5 dB, peak +0.2 dB."
    )
    face.show_settings(MANIFEST.settings({"slope": "24"}))
    assert "50 Hz, 24 dB per octave: rumble cut 97 %" in face.labels["price"].text
    face.show_frame(_at(frame(5, {"cutoff_peak": math.nan}), 1))
    assert face.labels["price"].text.endswith("trying it…")


def test_no_lowest_note_no_price(qtbot) -> None:
    face = make("price", qtbot)
    for doubt, words in ((1.0, "It is silent"), (2.0, "Too little heard so far"), (3.0, "No pitch")):
        face.show_frame(_at(frame(5, {"floor": math.nan, "floor_doubt": doubt, "cutoff": math.nan}), int(doubt)))
        assert face.labels["price"].text.startswith(words)


def test_a_cutoff_spares_the_lower_of_two_notes(qtbot) -> None:
    """82.4 Hz is E2, 36.7 Hz is D1 (equal temperament, ISO 16)."""
    face = make("price", qtbot)
    face.show_frame(frame(5, {"floor": 82.407, "floor_lower": math.nan}))
    assert "E2 −0.5 dB" in face.labels["price"].text
    face.show_frame(_at(frame(5, {"floor": 82.407, "floor_lower": 36.708}), 1))
    assert "D1 −0.5 dB" in face.labels["price"].text


def test_the_slider_is_the_axis_and_tries_a_cutoff(qtbot) -> None:
    face = make("price", qtbot)
    face.show_frame(frame(5))
    chosen = []
    face.setting_chosen.connect(lambda _meter, setting: chosen.append(setting))
    free = face.slider.value()
    face.slider.setValue(free + 40)
    hertz = chosen[0]["cutoff_hz"]
    assert hertz == pytest.approx(38.6 * (435.0 / 20.0) ** (40 / 300), rel=0.02)
    face.show_settings(MANIFEST.settings({"cutoff_hz": hertz}))
    assert face.slider.value() == free + 40
    assert "tried at" in face.labels["price"].text
    assert face.labels["price"].text.endswith("trying it…")
    answer = {"tried_cutoff": hertz, "tried_loss": 1.3, "tried_removed": 91.0, "tried_peak": 0.4}
    face.show_frame(_at(frame(5, answer), 1))
    assert "rumble cut 91 %" in face.labels["price"].text
    assert "C2 −1.3 dB, peak +0.4 dB." in face.labels["price"].text
    qtbot.mouseDClick(face, Qt.MouseButton.LeftButton, pos=face._picture.center())
    assert chosen[-1] == {"cutoff_hz": 0.0}


def test_a_click_on_a_slope_selects_it(qtbot) -> None:
    face = make("price", qtbot)
    face.show_frame(frame(5))
    chosen = []
    face.setting_chosen.connect(lambda _meter, setting: chosen.append(setting))
    for row in range(4):
        place = QPoint(face._table.left() + 20, face._table.bottom() - 23 * (3 - row) - 10)
        qtbot.mouseClick(face, Qt.MouseButton.LeftButton, pos=place)
    assert chosen == [{"slope": slope} for slope in ("6", "12", "18", "24")]


def test_the_zone_ends_at_the_cutoff_and_the_post_stands_on_the_note(qtbot) -> None:
    face = make("price", qtbot)
    face.show_frame(frame(5))
    picture = face.grab().toImage()
    ratio = picture.devicePixelRatio()
    row = round((face._picture.top() + 2) * ratio)
    post, edge = (round(x_of(face._picture, hertz) * ratio) for hertz in (65.4, 65.4 * 0.59))
    assert picture.pixelColor(post, row).name() == DARK.ink.name()
    assert picture.pixelColor(edge, row).name() == DARK.soft.name()


# Ring, kick and bass


def test_the_ring_is_told_with_the_next_note(qtbot) -> None:
    face = make("ring", qtbot, tempo_bpm=120.0)
    face.show_frame(frame(5))
    assert face.labels["figure"].text == "320"
    assert face.labels["verdict"].text == "kick, varies 20 ms: next low note at 250 ms, tail still −9.0 dB"
    face.show_frame(_at(frame(5, {"overhang": -60.0}), 1))
    assert "none of it left" in face.labels["verdict"].text
    face.show_frame(_at(frame(5, {"ring": math.nan, "ring_hits": 18, "ring_spread": 2073.0}), 4))
    assert face.labels["verdict"].text == "kick: no common decay, 18 hits vary by 2,073 ms"
    face.show_frame(_at(frame(5, {"ring": math.nan, "ring_hits": 5, "ring_spread": math.nan}), 2))
    assert face.labels["verdict"].text == "kick: 5 of 8 clear hits so far"
    face.show_frame(_at(frame(5, {"ring": 45.0}), 3))
    assert "as fast as can be shown" in face.labels["verdict"].text


def test_parts_that_cancel_are_told_before_who_owns_the_low_end(qtbot) -> None:
    face = make("owners", qtbot)
    cancel = {
        "cancel_pairs": 1,
        "cancel_kind": 1,
        "cancel_first": 1,
        "cancel_second": 2,
        "cancel_sum_gain": -math.inf,
    }
    face.show_frame(frame(5, cancel | {"role": [1, 4, 4, 3, 3], "share": [97.0, 1.6, -1.6, 1.0, 2.0]}))
    first = "bass and organ cancel completely"
    assert face.labels["verdict"].text.startswith(first)
    assert "kick owns the low end: 97 %" in face.labels["verdict"].text
    assert "".join(face.labels["verdict"].shown).startswith(first)
    # Parts that cancel all of each other leave no share; listening goes on, the warning stands already.
    gone = {"share": math.nan, "heard": 3.0}
    face.show_frame(_at(frame(5, cancel | gone), 1))
    assert face.labels["verdict"].text == "bass and organ cancel completely, same sound, opposite polarity"
    face.show_frame(_at(frame(5, cancel | {"cancel_sum_gain": -12.3, "cancel_pairs": 3}), 2))
    assert "cancel, same lows, opposite polarity, summing gain −12.3 dB; 2 more such" in face.labels["verdict"].text
    face.show_frame(_at(frame(5, cancel | {"cancel_kind": 2}), 3))
    assert face.labels["verdict"].text.startswith("bass and organ vanish in mono, left and right swapped")
    face.show_frame(_at(frame(5), 4))
    assert "cancel" not in face.labels["verdict"].text


def test_kick_and_bass_are_told(qtbot) -> None:
    face = make("pair", qtbot, tempo_bpm=120.0)
    face.show_frame(frame(5))
    assert (face.labels["figure"].text, face.labels["unit"].text) == ("+1.2", "dB summing gain")
    assert face.labels["verdict"].text == "kick and bass hit together: bass 4 ms later, timing varies 6 ms"
    assert face.labels["try"].text in ("", "to try: bass flipped: +0.8 dB; 2.5 ms earlier: +0.9 dB")
    apart = {"pair_sum_gain": math.nan, "pair_gap": math.nan, "pair_gap_spread": math.nan}
    face.show_frame(_at(frame(5, apart | {"pair_verdict": 2, "pair_time_overlap": 4.0}), 1))
    assert face.labels["word"].text == "take turns"
    assert face.labels["figure"].text == ""
    assert face.labels["verdict"].text == "kick and bass take turns: at once for 4 % of the time"
    face.show_frame(_at(frame(5, apart | {"pair_verdict": 4}), 5))
    assert face.labels["verdict"].text == "kick and bass overlap, but hit together by chance only"
    face.show_frame(_at(frame(5, {"pair_verdict": 1, "pair_gap": math.nan, "pair_gap_spread": 31.0}), 6))
    assert face.labels["verdict"].text == "kick and bass hit together: timing varies 31 ms"
    face.show_frame(_at(frame(1), 2))
    assert face.labels["verdict"].text == "Two parts are needed, kick and bass."
    no_pair = {"pair_first": math.nan, "pair_second": math.nan, "pair_verdict": math.nan, "pair_gap": math.nan}
    face.show_frame(_at(frame(5, no_pair | {"pair_doubt": 2.0}), 3))
    assert face.labels["verdict"].text == "One part holds both kick and bass: no pair to compare."
    face.show_frame(_at(frame(5, no_pair | {"pair_doubt": 3.0}), 4))
    assert face.labels["verdict"].text == "No kick and bass among the parts yet."


def test_the_tempo_is_shown_where_it_is_used_and_one_that_does_not_fit_is_told(qtbot) -> None:
    face = make("pair", qtbot, tempo_bpm=120.5)
    face.resize(520, 330)
    found = frame(5)
    face.show_frame(found)
    assert face.subtitle == "one bar at 120.5 BPM, last 8 bars overlaid"
    account = found.findings["low_end.account"]
    for better, words in ((118.0, "; 118.0 does"), (math.nan, "")):
        lanes = msgspec.structs.replace(account.lanes, tempo_fits=False, better_bpm=better)
        off = {"low_end.account": msgspec.structs.replace(account, lanes=lanes)}
        face.show_frame(_at(Frame(found.layout, found.values, found.status, off), 3 if words else 4))
        assert face.subtitle == f"120.5 BPM does not fit the hits{words}"
        assert face._subtitle.text == face.subtitle
    face.show_settings({"tempo_bpm": 0.0})
    assert "BPM" not in face.subtitle


def test_the_larger_card_also_says_what_to_try(qtbot) -> None:
    face = make("pair", qtbot)
    face.resize(420, 330)
    face.show_frame(frame(5))
    assert face.labels["try"].text == "to try: bass flipped: +0.8 dB; 2.5 ms earlier: +0.9 dB"
    assert face.labels["try"].visible


@pytest.mark.parametrize(
    ("gain", "deed"), [(-1.5, "partly cancel"), (-9.0, "largely cancel"), (-math.inf, "cancel completely")]
)
def test_a_pair_that_cancels_says_how_much(qtbot, gain: float, deed: str) -> None:
    face = make("pair", qtbot)
    face.resize(420, 330)
    flip = math.inf if gain == -math.inf else 5.0
    face.show_frame(frame(5, {"pair_verdict": 3, "pair_sum_gain": gain, "pair_flip": flip, "pair_flipped": 3.01}))
    assert face.labels["verdict"].text == f"kick and bass {deed}: bass 4 ms later, timing varies 6 ms"
    if gain == -math.inf:
        # The change would be infinite: what stands there is what the flip leaves.
        assert (face.labels["figure"].text, face.labels["word"].text) == ("", deed)
        assert face.labels["try"].text == "to try: bass flipped, summing gain +3.0 dB"


def test_lanes_stand_on_the_line_and_fill_what_both_hold(qtbot) -> None:
    face = make("pair", qtbot)
    face.show_frame(frame(5))
    above, below, both_above, both_below = face._shapes
    middle = face._lanes.center().y()
    assert above.boundingRect().bottom() <= middle <= below.boundingRect().top()
    assert both_above.boundingRect().height() <= above.boundingRect().height()
    assert both_below.boundingRect().height() <= below.boundingRect().height() + 0.5
    assert np.isfinite([above.boundingRect().height(), below.boundingRect().height()]).all()


def test_menus_offer_what_can_be_chosen(qtbot) -> None:
    owners, parts, price = (make(view, qtbot) for view in ("owners", "parts", "price"))
    for face in (parts, price):
        face.show_frame(frame(3))
        assert {choice.value for choice in face.choices() if choice.setting == "part"} == {
            "",
            "kick",
            "bass",
            "organ",
        }
    asked = []
    owners.action_asked.connect(asked.append)
    for choice in owners.choices():
        if choice.run is not None:
            choice.run()
        else:
            entry = next(entry for entry in MANIFEST.setting if entry.key == choice.setting)
            assert entry.check(choice.value) == choice.value
    assert asked == ["tap", "tempo", "feeds"]


# The card of the lows in mono, on the overview


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "60–90 Hz largely cancels in mono: plucked pair"),
        ({"low_end.culprit": math.nan}, "60–90 Hz largely cancels in mono"),
        ({"low_end.mono_worst": 1.0}, "60–90 Hz largely cancels in mono"),
        ({"low_end.mono_worst": 0.0}, "60–90 Hz largely cancels in mono: plucked pair"),
        ({"low_end.culprit": 77.0}, "60–90 Hz largely cancels in mono"),
        ({"mono_lows.band_loss": [-0.1, -0.4, -2.2, -0.3]}, "60–90 Hz partly cancels in mono: plucked pair"),
        (
            {"mono_lows.verdict": 1, "mono_lows.loss_now": -0.2},
            "solid as a whole, but 60–90 Hz largely cancels in mono: plucked pair",
        ),
    ],
)
def test_the_mono_card_names_the_part_behind_the_loss(changes: dict[str, Any], words: str, qtbot) -> None:
    face = faces.make("mono_lows", qtbot)
    ours = {key.removeprefix("low_end."): value for key, value in changes.items() if key.startswith("low_end.")}
    snapshot = frame(5, ours)
    for key, value in (values_at(100.0) | changes).items():
        slot = snapshot.layout.by_key.get(key)
        if slot is not None:
            snapshot.values[slot.offset : slot.offset + slot.size] = value
    face.show_frame(snapshot)
    assert face.labels["verdict"].text == words
    assert_text_fits(face)
