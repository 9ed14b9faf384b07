"""Cards that are small while there is nothing to tell, and text that grows with the window."""

from __future__ import annotations

import pytest
from PySide6.QtCore import QSize

from meter.builtin.peaks.face import OVERHANG_PX
from meter.builtin.vu.face import HAND_FROM, HAND_TO
from meter.gui.kit.label import Label, line_height
from meter.gui.kit.theme import MARK_PX, follow_window, font, px, scale_for
from meter.gui.page.layout import Place, Plan, pages_folder, read_plan, rectangle
from meter.gui.page.page import Page
from meter.plugin.face import Face
from tests.support.faces import assert_text_fits
from tests.support.frames import ELSEWHERE, entries, frame, layout, status, values_at

STACK = Plan(
    "stack", (1.0,), (1.0,),
    (
        Place("mono_lows", 0, 0, share=30.0, small=100), Place("stereo", 0, 0, share=50.0),
        Place("vu", 0, 0, share=20.0),
    ),
    rest=False,
)  # fmt: skip
GAP = 10


def boxes(small: tuple[Place, ...], scale: float = 1.0) -> list[tuple[int, int]]:
    found = [rectangle(place, STACK, 300, 1020, GAP, small, scale) for place in STACK.place]
    return [(top, high) for _, top, _, high in found]


def test_a_stack_divides_its_height_by_shares():
    assert boxes(()) == [(0, 300), (310, 500), (820, 200)]


def test_a_small_card_leaves_its_room_to_the_others():
    assert boxes((STACK.place[0],)) == [(0, 100), (110, 643), (763, 257)]
    assert boxes((STACK.place[0],), scale=1.5) == [(0, 150), (160, 607), (777, 243)]


def test_places_on_the_same_cells_need_shares(tmp_path):
    text = 'kind="page"\nversion=1\nname="x"\ncolumn_shares=[1]\nrow_shares=[1]\n'
    path = tmp_path / "mine.toml"
    place = '[[place]]\nmeter="{}"\nrow=0\ncolumn=0\n{}\n'
    path.write_text(text + place.format("vu", "share=1.0") + place.format("peaks", ""), encoding="utf-8")
    with pytest.raises(match="give both a share"):
        read_plan(path)
    path.write_text(text + place.format("vu", "share=1.0") + place.format("peaks", "share=2.0"), encoding="utf-8")
    assert len(read_plan(path).place) == 2


def show(page: Page, seconds: float, **changed: object) -> None:
    values = values_at(100.0) | {f"mono_lows.{key}": value for key, value in changed.items()}
    for card in page.cards:
        card.show_frame(frame(given=values, plan=layout(), feed=status(seconds)))


def test_the_card_of_the_low_end_grows_when_something_cancels(qtbot):
    page = Page(STACK, entries())
    qtbot.addWidget(page)
    page.resize(300, 1020)
    page.show()
    face = page.card("mono_lows").face
    solid = {"verdict": 1, "loss_now": -0.1, "band_loss": [0.0] * 4}
    show(page, 1.0, **solid)
    assert face.height() == 100
    assert face.labels["state"].shown == ["solid"]
    for seconds in (2.0, 3.5):
        show(page, seconds, verdict=3, loss_now=-6.0, band_loss=[0.0, 0.0, -9.0, 0.0])
    assert face.height() == 300
    assert face.labels["verdict"].shown
    for seconds in (4.0, 8.0):
        show(page, seconds, **solid)
    assert face.height() == 100


def test_a_stranger_whose_face_cannot_say_what_room_it_needs_is_set_aside(qtbot):
    class Broken(Face):
        @property
        def needs_room(self) -> bool:
            raise ValueError("no idea")

    page = Page(STACK, entries())
    qtbot.addWidget(page)
    card = page.card("mono_lows")
    card.face = Broken(page)
    assert card.needs_room
    assert "no idea" in card.face.fault


@pytest.mark.parametrize(
    ("size", "scale"),
    [
        ((820, 560), 1.0),
        ((1280, 800), 1.0),
        ((1920, 1080), 1.3),
        ((1920, 800), 1.0),
        ((2560, 1600), 2.0),
        ((9999, 9999), 2.0),
    ],
)
def test_text_grows_with_the_smaller_side_of_the_window(size, scale):
    assert scale_for(QSize(*size)) == pytest.approx(scale)


def test_a_label_follows_the_text_scale(qapp):
    label = Label(MARK_PX)
    before = line_height(MARK_PX)
    assert follow_window(QSize(1920, 1200))
    assert not follow_window(QSize(1921, 1201))
    assert font(MARK_PX).pixelSize() == px(MARK_PX) == 20
    label.place(label.rect)
    assert label.font.pixelSize() == 20
    assert line_height(MARK_PX) > before
    assert follow_window(QSize(1280, 800))
    assert font(MARK_PX).pixelSize() == MARK_PX


QUARTER = 4
LEGIBLE_PX, LARGE_PX = 4.5, 10.0
"""Height of type in a quarter-size picture that can still be read as a word, and as a figure at a glance (our own
trial with a picture of 320 by 200)."""


def test_a_quarter_size_picture_of_the_first_page_can_be_read(qtbot):
    """Loud rock: short-term, integrated, OVER, mono state, the hand, and the time left."""
    page = Page(read_plan(pages_folder() / "page.toml"), entries(), elsewhere=ELSEWHERE)
    qtbot.addWidget(page)
    page.resize(1252, 712)
    page.show()
    loud = {
        "loudness.short_term": -7.8, "loudness.integrated": -8.4, "peaks.overs": 26, "peaks.true_max": 3.5,
        "peaks.true_max_each": [3.4, 3.5], "mono_lows.verdict": 1, "mono_lows.loss_now": -0.1,
        "mono_lows.band_loss": [0.0] * 4,
    }  # fmt: skip
    for seconds in (1.0, 2.0):
        for card in page.cards:
            card.show_frame(frame(given=values_at(100.0) | loud, plan=layout(), feed=status(seconds)))

    def type_of(meter: str, name: str, words: str) -> float:
        label = page.card(meter).face.labels[name]
        assert words in " ".join(label.shown)
        return label.font.pixelSize() / QUARTER

    assert type_of("loudness", "short_term", "−7.8") >= LARGE_PX
    assert type_of("loudness", "integrated", "−8.4") >= LARGE_PX
    assert type_of("mono_lows", "state", "solid") >= LARGE_PX
    assert type_of("listening", "figure", "") >= 0.9 * LARGE_PX
    assert type_of("peaks", "OVER", "OVER 26") >= LEGIBLE_PX
    assert type_of("vu", "usual", "hits") >= LEGIBLE_PX
    dial = page.card("vu").face
    assert dial._radius * (HAND_TO - HAND_FROM) / QUARTER >= 20.0
    assert dial._pens()[0].widthF() / QUARTER >= 1.0


@pytest.mark.parametrize("size", [(792, 472), (792, 436), (1252, 712), (1892, 980)])
@pytest.mark.parametrize("loses", [False, True])
def test_every_card_of_the_first_page_keeps_its_main_figure(size, loses, qtbot):
    """In the smallest window, with a row of marks below, with or without a calibration, and a loss and references."""
    page = Page(read_plan(pages_folder() / "page.toml"), entries(), elsewhere=ELSEWHERE)
    qtbot.addWidget(page)
    page.resize(*size)
    page.show()
    if loses:
        page.card("lane").face.show_settings({"reference_1": "song.wav"})
    assert page.card("lane").face.isVisible() == loses
    solid = {} if loses else {"verdict": 1, "loss_now": -0.1, "band_loss": [0.0] * 4}
    for calibrated in (False, True):
        for seconds in (1.0, 5.0):
            values = values_at(100.0, calibrated=calibrated) | {
                f"mono_lows.{key}": each for key, each in solid.items()
            }
            for card in page.cards:
                card.show_frame(frame(given=values, plan=layout(), feed=status(seconds + 10 * calibrated)))
        for card in [card for card in page.cards if card.face.isVisible()]:
            assert_text_fits(card.face)
            assert page.rect().contains(card.face.geometry())
        for meter, name in (("peaks", "most1"), ("stereo", "whole"), ("mono_lows", "figure")):
            assert page.card(meter).face.labels[name].shown, meter
        peaks = page.card("peaks").face
        assert peaks._bars[-1].bottom() + 7 + line_height(MARK_PX) <= peaks.inside.bottom() + OVERHANG_PX, "scale"
        assert not calibrated or page.card("listening").face.labels["figure"].shown
