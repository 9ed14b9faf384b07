"""A meter by others that was set aside: its card, the menu and the feed line say so, and one click tries it again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QMenu, QPushButton, QWidget

from meter.commands.window_meters import enable_other, meter_entries, other_meters
from meter.gui.engine_link import Surroundings
from meter.gui.kit.face_guard import GUARD
from meter.gui.page.foreign_meters_menu import OthersMenu
from meter.gui.page.layout import pages_folder
from meter.gui.page.try_again import WORDS, TryAgain
from meter.gui.window import Window
from meter.readings import Frame
from meter.settings import Settings, SourceChoice
from tests.support.frames import FakeLink, entries, frame
from tests.support.plugins import write_meter

WHY = "Meter “Meter own” is set aside: it hung and the engine had to be replaced."


class Engine(FakeLink):
    """A link that also tries meters again."""

    def __init__(self) -> None:
        super().__init__()
        self.tried: list[str] = []
        self.aside = {"own": WHY}

    def meters_set_aside(self) -> Mapping[str, str]:
        return self.aside

    def try_again(self, meter_id: str) -> None:
        self.tried.append(meter_id)
        self.aside = {}


class Bench:
    """A window with one meter by others, as ``app`` ties it together."""

    def __init__(self, qtbot, folder: Path) -> None:
        self.link = Engine()
        kept = Settings(source=SourceChoice("demo", label="the demo"), cautions_read=True)
        foreign = [entry for entry in meter_entries([folder]) if not entry.ours]
        meters = (*entries(), *foreign)
        self.window = Window(self.link, kept, Surroundings(None, pages_folder(), meters=meters))
        qtbot.addWidget(self.window)
        self.again = TryAgain(self.link, self.window.cards.names, self.window.feed_line)
        self.window.pages.try_again_asked.connect(self.again.try_again)
        self.window.resize(1280, 800)
        self.window.show()
        [self.card] = [card for card in self.window.pages.cards("own") if card.face.isVisible()]

    def show(self, aside: Mapping[str, str]) -> None:
        shown = frame()
        self.link.now = Frame(shown.layout, shown.values, replace(shown.status, quarantined=dict(aside)))
        self.window.clock.tick()

    @property
    def button(self) -> QPushButton | None:
        found = [each for each in self.card.face.findChildren(QPushButton) if each.text() == WORDS]
        return found[0] if found and found[0].isVisible() else None


@pytest.fixture
def bench(qtbot, tmp_path: Path):
    yield Bench(qtbot, write_meter(tmp_path / "own", "own"))
    GUARD.stop()


def test_the_card_says_why_and_one_click_tries_it_again(bench: Bench, qtbot) -> None:
    bench.show({})
    assert bench.button is None
    bench.show({"own": WHY})
    assert bench.card.face.fault == WHY
    button = bench.button
    assert button is not None
    assert bench.card.face.rect().contains(button.geometry())
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    assert bench.link.tried == ["own"]
    bench.show({})
    assert bench.button is None
    assert bench.card.face.fault != WHY


def test_the_button_keeps_its_place_in_a_card_of_another_size_and_goes_where_there_is_no_room(bench: Bench) -> None:
    bench.show({"own": WHY})
    for width, seen in ((400, True), (240, True), (120, False)):
        bench.card.face.resize(width, 150)
        button = bench.button
        assert (button is not None) == seen
        if button is not None:
            assert bench.card.face.rect().contains(button.geometry())


def test_no_card_of_ours_has_the_button(bench: Bench) -> None:
    bench.show({"vu": WHY.replace("Meter own", "VU")})
    [vu, *_] = bench.window.pages.cards("vu")
    assert vu.face.fault
    assert not [each for each in vu.face.findChildren(QPushButton) if each.text() == WORDS and each.isVisible()]


def test_the_feed_line_says_it_and_tries_again_in_one_click(bench: Bench, qtbot) -> None:
    line = bench.window.feed_line
    bench.again.tell("own", WHY)
    assert line.asked() == WHY
    [button] = [each for each in line.findChildren(QWidget) if getattr(each, "text", str)() == WORDS]
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    assert bench.link.tried == ["own"]
    assert line.asked() == ""


def test_the_sentence_goes_when_it_is_tried_again_in_the_card(bench: Bench) -> None:
    bench.again.tell("own", WHY)
    bench.show({"own": WHY})
    button = bench.button
    assert button is not None
    button.click()
    assert bench.window.feed_line.asked() == ""


def test_the_menu_names_it_with_the_reason(bench: Bench, qtbot, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("platformdirs.user_config_dir", lambda *_, **__: str(tmp_path / "config"))
    menu = QMenu()
    qtbot.addWidget(menu)
    found = partial(other_meters, [tmp_path / "own"])
    OthersMenu(menu, found, enable_other, lambda _words: None, bench.again.by_name, bench.again.try_name)
    menu.aboutToShow.emit()
    [again] = [action for action in menu.actions() if action.text() == "try Meter own again"]
    assert again.toolTip() == WHY
    again.trigger()
    assert bench.link.tried == ["own"]
    menu.aboutToShow.emit()
    assert not [action for action in menu.actions() if "again" in action.text()]
