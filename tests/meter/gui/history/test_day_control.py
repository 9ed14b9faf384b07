"""The day in the window: D and the menu show it in place of the page, and it needs no engine."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication

from meter.gui.engine_link import DayRecords, Surroundings
from meter.gui.page.layout import pages_folder
from meter.gui.window import Window
from meter.logbook.day_record import day_path
from meter.settings import Settings, SourceChoice
from tests.support.frames import FakeLink, entries
from tests.support.recorded import invented_day


@pytest.fixture
def window(qtbot, tmp_path: Path):
    """A window whose engine never answered."""
    invented_day(day_path("a song", "2026-11-28", tmp_path / "record"), 0.05)
    around = Surroundings(
        settings_path=tmp_path / "settings.json",
        pages_folder=pages_folder(),
        meters=entries(faces=False),
        records=DayRecords(tmp_path / "record", lambda: {}),
    )
    kept = Settings(source=SourceChoice("monitor", "studio.monitor", {}, "Studio Out"), cautions_read=True)
    made = Window(FakeLink(), kept, around)
    qtbot.addWidget(made)
    made.show()
    qtbot.waitUntil(made.may_draw)
    yield made
    made.close()


def test_the_day_takes_the_place_of_the_page_and_gives_it_back(qtbot, window) -> None:
    qtbot.keyClick(window, Qt.Key.Key_D)
    assert window.day.shown
    assert len(window.day.view.lanes) > 1
    assert not window.may_draw()  # the faces behind it draw nothing
    qtbot.keyClick(window, Qt.Key.Key_D)
    assert not window.day.shown
    assert window.may_draw()
    window.show_day()
    window.day.view.head.leave.click()
    assert window.may_draw()
    window.show_day()
    qtbot.keyClick(window.day.view, Qt.Key.Key_Escape)
    assert window.may_draw()


def test_a_page_key_leads_back_to_the_page(qtbot, window) -> None:
    window.show_day()
    qtbot.keyClick(window, Qt.Key.Key_1)
    assert window.may_draw()


def test_another_source_leads_back_to_the_page(window) -> None:
    window.show_day()
    window.listen_to({"kind": "demo", "options": {}}, "the demo")
    assert window.may_draw()


def test_ears_only_hides_the_day_and_d_does_not_show_it(window) -> None:
    window.show_day()
    window.toggle_ears_only()
    assert not window.day.view.isVisible()
    window.show_day()
    window.toggle_ears_only()
    assert window.day.view.isVisible()


def test_the_menu_leads_to_the_day(window) -> None:
    (action,) = [each for each in window.more.actions() if each.text().endswith("\tD")]
    action.trigger()
    assert window.day.shown


def test_a_window_without_records_has_no_day(qtbot, tmp_path: Path) -> None:
    around = Surroundings(settings_path=None, pages_folder=pages_folder(), meters=entries(faces=False))
    made = Window(FakeLink(), Settings(source=SourceChoice("demo"), cautions_read=True), around)
    qtbot.addWidget(made)
    made.show()
    made.show_day()
    QApplication.processEvents()
    assert not made.day.shown
    made.close()
