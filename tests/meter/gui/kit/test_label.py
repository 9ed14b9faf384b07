"""Text in a rectangle, and points in bulk."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtCore import QRect

from meter.gui.kit.label import CENTRE, RIGHT, Label, figure_room, fitting_px, line_height, text_width
from meter.gui.kit.points import polygon_of

LONG = "The allowance is used up: rest your ears, and come back when they have rested."


@pytest.fixture(autouse=True)
def _application(qapp):
    """Fonts need an application."""


@pytest.mark.parametrize("align", [CENTRE, RIGHT])
@pytest.mark.parametrize("width", [60, 137, 300])
@pytest.mark.parametrize("lines", [1, 2, 4])
def test_text_stays_in_its_rectangle(width, lines, align):
    label = Label(15, lines=lines, align=align)
    label.say(LONG)
    label.place(QRect(10, 20, width, lines * label.line_height))
    assert 1 <= len(label.shown) <= lines
    assert label.text_width <= width
    box = label.box
    assert box.left() >= 10
    assert box.right() <= 10 + width + 0.5
    assert box.bottom() <= 20 + lines * label.line_height


def test_what_fits_is_whole_and_what_does_not_says_so():
    label = Label(15, lines=3)
    label.place(QRect(0, 0, 400, 100))
    label.say("now 79 dB(A)")
    assert label.shown == ["now 79 dB(A)"]
    assert not label.elided
    label.place(QRect(0, 0, 40, 20))
    assert label.elided
    assert label.shown[0].endswith("…")


def test_the_short_form_is_shown_only_where_the_long_one_does_not_fit():
    label = Label(15)
    label.place(QRect(0, 0, text_width("leans 1.2 dB to the right", 15), 20))
    label.say("leans 1.2 dB to the right", short="1.2 dB right")
    assert label.shown == ["leans 1.2 dB to the right"]
    label.place(QRect(0, 0, text_width("1.2 dB right", 15) + 4, 20))
    assert label.shown == ["1.2 dB right"]
    assert not label.elided
    assert label.text == "leans 1.2 dB to the right"
    assert label.say("leans 1.2 dB to the right", short="right")
    assert label.shown == ["right"]
    label.place(QRect(0, 0, 12, 20))
    assert label.elided


def test_a_number_keeps_its_unit():
    label = Label(15, lines=2)
    label.say("a sentence that ends in 40 h")
    label.place(QRect(0, 0, text_width("a sentence that ends in 40", 15) + 2, 60))
    assert label.shown == ["a sentence that ends in", "40 h"]


def test_too_small_a_place_hides():
    label = Label(15)
    label.say("hidden")
    label.place(QRect(0, 0, 100, 5))
    assert not label.visible
    assert label.shown == []
    assert label.box.isEmpty()


def test_saying_the_same_changes_nothing():
    label = Label(15)
    assert label.say("one")
    assert not label.say("one")
    assert label.say("one", "soft")
    assert not label.say("one")


def test_type_shrinks_to_the_sample():
    label = Label(64, bold=True, sample="−88.8", least_px=28)
    label.place(QRect(0, 0, 110, 80))
    assert 28 <= label.size_px < 64
    assert text_width("−88.8", label.size_px, bold=True) <= 110
    assert fitting_px("−88.8", 5, 80, 64, 28) == 0
    assert line_height(label.size_px, bold=True) <= 80


def test_the_large_figure_grows_with_its_card():
    assert [figure_room(height) for height in (50, 150, 300, 420, 600)] == [36, 51, 86, 86, 120]


def test_polygon_holds_the_points():
    x, y = np.array([1.0, 2.5, -3.0]), np.array([4.0, -5.5, 6.0])
    polygon = polygon_of(x, y)
    assert [(point.x(), point.y()) for point in polygon] == list(zip(x, y, strict=True))
    assert polygon_of(np.empty(0), np.empty(0)).isEmpty()
