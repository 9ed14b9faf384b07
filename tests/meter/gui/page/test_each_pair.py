"""The page before and after: a card for each pair of the source, by itself."""

from __future__ import annotations

import itertools

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QApplication

from meter.gui.engine_link import Surroundings
from meter.gui.page.layout import pages_folder, shared_out
from meter.gui.page.page import Card
from meter.gui.window import Window
from meter.settings import Settings, SourceChoice
from tests.support.frames import FakeLink, entries
from tests.support.stage_cards import STAGE, found, replaced, shown, wired

STAGES = "stages"
NAMES = ("bus", "tape", "limiter", "widener", "glue", "clip", "tilt", "air")


@pytest.fixture
def window(qtbot):
    link = FakeLink()
    settings = Settings(source=SourceChoice("demo", label="the demo"), cautions_read=True, page=STAGES)
    made = Window(link, settings, Surroundings(None, pages_folder(), meters=entries()))
    qtbot.addWidget(made)
    made.resize(1280, 800)
    made.show()
    qtbot.waitUntil(made.may_draw)
    yield made
    made.close()


def show(window: Window, pairs, seconds: float = 100.0) -> None:
    window._link.now = shown(pairs, seconds=seconds)
    window.clock.tick()
    QApplication.processEvents()


def standing(window: Window) -> list[str]:
    """Titles of the cards of stages that are shown, in order."""
    return [card.face.title for card in stages(window) if card.face.isVisible()]


def stages(window: Window) -> list[Card]:
    return [card for card in window.page.cards if card.entry.meter_id != "repeats"]


def test_every_pair_has_a_card_and_the_next_source_has_its_own(window) -> None:
    assert window.page.name == "before and after"
    show(window, {"bus": found(), "tape": None, "limiter": found()})
    assert standing(window) == ["bus", "tape", "limiter"]
    faces = [card.face for card in stages(window)]
    assert [face.labels["figure"].text for face in faces] == ["+2.3", "", "+2.3"]
    boxes = [face.geometry() for face in faces]
    assert len({box.top() for box in boxes}) == 1, "three beside each other"
    assert not any(one.intersects(other) for one, other in itertools.pairwise(boxes))
    show(window, {"tape": found()}, 101.0)
    assert standing(window) == ["tape"]
    assert stages(window)[0].face.width() > 1200, "one card has the whole page"
    show(window, {}, 102.0)
    assert standing(window) == ["Before and after"]
    assert "further channels" in stages(window)[0].face.labels["fair"].text
    show(window, {"glue": found(), "air": found()}, 103.0)
    assert standing(window) == ["glue", "air"]
    assert [card.face.fault for card in stages(window)] == ["", ""]


def test_eight_pairs_scroll_in_the_smallest_window(window) -> None:
    window.resize(820, 560)
    show(window, dict.fromkeys(NAMES, found()))
    assert standing(window) == list(NAMES)
    assert min(card.face.height() for card in stages(window)) >= 180
    assert window.page.height() > 560
    show(window, {"bus": found()}, 101.0)
    assert window.page.height() < 560, "the page is no higher than it needs to be"


def test_the_key_copies_the_trim_of_the_first_stage_that_has_one(window, qtbot) -> None:
    quiet = replaced(STAGE, loudness_change_lu=-1.2, trim_db=1.2)
    show(window, {"bus": None, "tape": found(quiet)})
    qtbot.keyClick(window, Qt.Key.Key_C)
    assert QGuiApplication.clipboard().text() == "+1.2"


def test_all_cards_are_read_out(window) -> None:
    show(window, {"bus": found(), "tape": found()})
    lines = window.page.read_out().splitlines()
    assert lines.pop(0 if "loop" in lines[0] else 1).startswith("Bypass in a loop")
    assert [line.partition(": +2.3 LU")[0] for line in lines] == ["Before and after: bus", "Before and after: tape"]
    window.read_levels()
    told = window.readings.text.toPlainText().splitlines()
    assert {"Before and after: bus", "Before and after: tape"} <= set(told), "names of what is measured"
    show(window, {}, 101.0)
    assert window.page.read_out().startswith("Before and after: Send the sound")


def test_a_place_is_shared_out_in_equal_boxes_that_fill_it() -> None:
    def rows(count: int, width: int) -> list[int]:
        boxes = shared_out((0, 0, width, 700), count, 10)
        assert len(boxes) == count
        tops = sorted({box[1] for box in boxes})
        for top in tops:
            row = [box for box in boxes if box[1] == top]
            assert sum(box[2] for box in row) + 10 * (len(row) - 1) == width
        return [sum(box[1] == top for box in boxes) for top in tops]

    assert rows(1, 1252) == [1]
    assert rows(3, 1252) == [3]
    assert rows(4, 1252) == [2, 2]
    assert rows(5, 1252) == [3, 2]
    assert rows(3, 792) == [2, 1]
    assert rows(2, 300) == [1, 1]


def test_stages_that_go_on_from_each_other_have_their_total_beside_them(window) -> None:
    plan = wired({"bus": (2, 3, 4, 5), "tape": (4, 5, 6, 7), "bus to tape": (2, 3, 6, 7)})
    window._link.now = shown({"bus": found(), "tape": found(), "bus to tape": found()}, plan)
    window.clock.tick()
    assert standing(window) == ["bus", "tape", "bus to tape"]
    assert not stages(window)[2].face.steps.rect.isEmpty()
