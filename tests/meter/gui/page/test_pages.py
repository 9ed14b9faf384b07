"""Several pages: found in a folder, turned by key and tab, drawn only when shown, remembered."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication, QPushButton

from meter.gui.engine_link import MeterEntry, Surroundings
from meter.gui.page.layout import pages_folder
from meter.gui.page.pages import Pages
from meter.gui.window import Window
from meter.plugin.manifest import SettingEntry
from meter.settings import Settings, SourceChoice, load
from tests.support import low_readings
from tests.support.frames import FakeLink, entries, frame, layout, status

ONE = """
kind = "page"
version = 1
name = "{name}"
column_shares = [1]
row_shares = [1]
rest = {rest}
[[place]]
meter = "{meter}"
row = 0
column = 0
"""


def write(folder: Path, file: str, meter: str, rest: str = "false", name: str = "") -> None:
    (folder / f"{file}.toml").write_text(ONE.format(name=name or file, meter=meter, rest=rest), encoding="utf-8")


def pages(qtbot, folder: Path, wanted: str = "page") -> Pages:
    made = Pages(folder, entries(faces=False), wanted)
    qtbot.addWidget(made)
    return made


@pytest.fixture
def window(qtbot, tmp_path):
    made = open_window(qtbot, tmp_path, entries())
    yield made
    made.close()


def open_window(qtbot, folder: Path, meters: tuple[MeterEntry, ...]) -> Window:
    link = FakeLink()
    settings = Settings(source=SourceChoice("demo", label="the demo"), cautions_read=True)
    made = Window(link, settings, Surroundings(folder / "settings.json", pages_folder(), meters=meters))
    qtbot.addWidget(made)
    made.show()
    qtbot.waitUntil(made.may_draw)
    return made


def show(window: Window, snapshot) -> None:
    window._link.now = snapshot
    window.clock.tick()
    QApplication.processEvents()


def test_pages_come_in_order_and_those_with_a_place_elsewhere_are_not_repeated(qtbot, tmp_path: Path) -> None:
    write(tmp_path, "page", "vu", rest="true", name="overview")
    write(tmp_path, "zebra", "stereo")
    write(tmp_path, "apes", "peaks")
    made = pages(qtbot, tmp_path)
    assert made.names == ["overview", "apes", "zebra"]
    first = [card.entry.meter_id for card in made.page.cards]
    assert first[0] == "vu"
    assert "loudness" in first
    assert not {"stereo", "peaks", "channels"} & set(first)
    assert made.turn_to(2)
    assert [card.entry.meter_id for card in made.page.cards] == ["stereo"]
    assert not made.turn_to(2)
    assert not made.turn_to(7)
    assert not made.turn_to(-1)


def test_a_broken_page_is_told_and_left_out(qtbot, tmp_path: Path) -> None:
    write(tmp_path, "page", "vu", rest="true")
    (tmp_path / "other.toml").write_text("name = ", encoding="utf-8")
    made = pages(qtbot, tmp_path)
    assert made.names == ["page"]
    assert "other.toml" in made.sentences[0]


def test_a_page_that_is_gone_is_told_and_the_first_is_shown(qtbot, tmp_path: Path) -> None:
    write(tmp_path, "page", "vu", rest="true")
    made = pages(qtbot, tmp_path, wanted="../../mine")
    assert made.file == "page"
    assert "mine.toml" in made.sentences[0]
    assert "in rows" not in made.sentences[0], "the first page stands as it should"


def test_a_view_that_is_not_there_says_so(qtbot, tmp_path: Path) -> None:
    write(tmp_path, "page", "vu", rest="true")
    write(tmp_path, "low", "low_end")
    path = tmp_path / "low.toml"
    path.write_text(path.read_text(encoding="utf-8") + 'view = "ghost"\n', encoding="utf-8")
    made = pages(qtbot, tmp_path, wanted="low")
    assert "has no view “ghost”" in made.page.cards[0].face.fault


def test_keys_and_tabs_turn_the_page_and_it_is_remembered(window: Window, qtbot, tmp_path: Path) -> None:
    assert window.page.name == "overview"
    assert [tab.text() for tab in window.feed_line.tabs] == ["overview", "low end", "before and after"]
    qtbot.keyClick(window, Qt.Key.Key_2)
    assert window.page.name == "low end"
    show(window, frame(10.0, plan=layout(), feed=status(10.0)))
    assert [card.face.fault for card in window.page.cards] == [""] * 6
    window.feed_line.tabs[0].click()
    assert window.page.name == "overview"
    qtbot.keyClick(window, Qt.Key.Key_2)
    window.save()
    assert load(tmp_path / "settings.json")[0].page == "low_end"


def test_only_the_page_that_is_shown_is_drawn(window: Window, qtbot) -> None:
    shown = []
    for card in window.pages.cards():
        card.show_frame = lambda _frame, name=card.name: shown.append(name)  # type: ignore[method-assign]
    show(window, frame(10.0, plan=layout(), feed=status(10.0)))
    assert "Loudness" in shown
    assert not any(name.startswith("Low end,") for name in shown)
    shown.clear()
    qtbot.keyClick(window, Qt.Key.Key_2)
    window.clock.tick()
    assert set(shown) == {"Low end", "Low end, lows"}


def shown_cards(window: Window) -> set[str]:
    return {card.name for card in window.page.cards if card.face.isVisible()}


def test_without_parts_the_low_end_page_is_the_mix_and_one_invitation(window: Window, qtbot) -> None:
    qtbot.keyClick(window, Qt.Key.Key_2)
    show(window, frame(10.0, plan=layout(), feed=status(10.0)))
    assert shown_cards(window) == {"Low end", "Low end, lows"}
    places = [card.face.geometry() for card in window.page.cards if card.face.isVisible()]
    covered = sum(place.width() * place.height() for place in places)
    assert covered > 0.97 * window.page.width() * window.page.height()
    buttons = [button for card in window.page.cards for button in card.face.findChildren(QPushButton)]
    assert [button.text() for button in buttons if button.isVisible()] == ["choose more channels"]
    show(window, low_readings.frame(6))
    assert shown_cards(window) == {"Low end", "Low end, parts", "Low end, price", "Low end, ring", "Low end, pair"}
    show(window, frame(12.0, plan=layout(), feed=status(12.0)))
    assert shown_cards(window) == {"Low end", "Low end, lows"}


def test_what_is_chosen_on_one_face_reaches_all_faces_of_the_meter(window: Window, qtbot) -> None:
    qtbot.keyClick(window, Qt.Key.Key_2)
    show(window, low_readings.frame(6))
    window.page.cards[0].face.setting_chosen.emit("low_end", {"part": "bass"})
    assert all(card.face.settings["part"] == "bass" for card in window.pages.cards("low_end"))
    assert window._link.called("configure")[-1] == ("configure", "low_end", {"part": "bass"})


def test_mark_and_tap(window: Window, qtbot) -> None:
    qtbot.keyClick(window, Qt.Key.Key_K)
    assert window._link.called("mark") == [("mark",)]
    now = [100.0]
    window.feeds._now = lambda: now[0]
    for _ in range(5):
        qtbot.keyClick(window, Qt.Key.Key_B)
        now[0] += 0.5
    assert window._link.called("configure")[-1] == ("configure", "low_end", {"tempo_bpm": 120.0})
    assert window._settings.meters["low_end"]["tempo_bpm"] == 120.0


def test_each_tap_is_answered_where_the_eye_is(window: Window, qtbot) -> None:
    """On the first page no card shows a tempo: the feed line answers, with the value and its unit."""
    show(window, frame(10.0, plan=layout(), feed=status(10.0)))
    now, said = [100.0], []
    window.feeds._now = lambda: now[0]
    for _ in range(5):
        qtbot.keyClick(window, Qt.Key.Key_B)
        said.append(window.feed_line.words.whole)
        now[0] += 0.5
    assert said[:3] == [f"tempo: tap {number} of 4, on each beat" for number in (1, 2, 3)]
    assert said[3:] == ["tempo 120 BPM"] * 2
    window.feed_line._flash.timeout.emit()
    assert "BPM" not in window.feed_line.words.whole


def test_typing_the_tempo_begins_with_the_one_that_is_set(window: Window) -> None:
    window.feeds.ask_tempo()
    assert window.feeds.tempo.doubleValue() == 120.0
    window.feeds.tempo_told.emit(97.5)
    window.feeds.ask_tempo()
    assert window.feeds.tempo.doubleValue() == 97.5


def test_the_titles_of_our_faces_come_from_the_manifest(qtbot, tmp_path: Path) -> None:
    meters = tuple(replace(entry, titles={view: f"new {view}" for view in ("", "parts")}) for entry in entries())
    write(tmp_path, "page", "low_end")
    made = Pages(tmp_path, meters, "page")
    qtbot.addWidget(made)
    assert made.page.cards[0].face.title == made.page.cards[0].face.accessibleName() == "new "


def test_the_tempo_goes_to_every_meter_that_asks_for_it(qtbot, tmp_path: Path) -> None:
    theirs = MeterEntry("pulse", "Pulse", settings=(SettingEntry("tempo_bpm", 0.0),), services=("tempo",))
    window = open_window(qtbot, tmp_path, (*entries(), theirs))
    window.feeds.tempo_told.emit(97.0)
    window.close()
    sent = window._link.called("configure")[-2:]
    assert sent == [("configure", name, {"tempo_bpm": 97.0}) for name in ("low_end", "pulse")]


def test_without_a_meter_that_is_calibrated_the_window_says_so(qtbot, tmp_path: Path) -> None:
    window = open_window(qtbot, tmp_path, tuple(entry for entry in entries() if entry.meter_id == "vu"))
    show(window, frame(10.0, plan=layout(), feed=status(10.0)))
    for ask in (window.seat.calibrate, window.seat.turn):
        ask()
        assert "No meter estimates the listening level" in window.feed_line.asked()
    assert window.seat.dialog.isHidden()
    window.listening.chosen.emit({"person": "me"})
    window.close()
    assert window._link.called("configure") == []


def test_the_menu_offers_what_the_keys_do(window: Window) -> None:
    menu = window.more
    pages = {action.text(): action for action in menu.pages.actions()}
    assert [action.isChecked() for action in pages.values()] == [True, False, False]
    pages["low end\t2"].trigger()
    assert window.page.name == "low end"
    assert [action.isChecked() for action in menu.pages.actions()] == [False, True, False]
    others = {action.text().partition("\t")[2]: action for action in menu.actions()}
    others["K"].trigger()
    assert window._link.called("mark") == [("mark",)]
    others["F"].trigger()
    assert "name its feeds when it does" in window.feed_line.asked()


@pytest.mark.parametrize(("width", "marking", "keys"), [(1280, True, True), (820, False, False)])
def test_a_narrow_window_leaves_out_what_the_menu_offers_too(
    window: Window, width: int, marking: bool, keys: bool
) -> None:
    window.resize(width, 600)
    show(window, frame(10.0, plan=layout(), feed=status(10.0, channels=16)))
    line = window.feed_line
    assert (line.marking.isVisible(), line.feeds.isVisible()) == (marking, marking)
    for button in (*line.tabs, line.hold, line.reset, line.ears_only, line.more):
        assert button.width() >= button.sizeHint().width()
        assert line.rect().contains(button.mapTo(line, button.rect().bottomRight()))
    assert line.tabs[0]._with_key is keys


def test_a_typed_tempo_counts_and_none_too(window: Window) -> None:
    window._act("tempo")
    assert window.feeds.tempo.isVisible()
    for tempo in (97.25, 0.0):
        window.feeds.tempo.setDoubleValue(tempo)
        window.feeds.tempo.accept()
        assert window._link.called("configure")[-1] == ("configure", "low_end", {"tempo_bpm": tempo})
        window.feeds.ask_tempo()


def test_a_page_of_the_user_takes_the_place_of_ours_or_comes_with_them(qtbot, tmp_path: Path) -> None:
    ours, own = tmp_path / "ours", tmp_path / "presets"
    for folder in (ours, own / "pages"):
        folder.mkdir(parents=True)
    write(ours, "page", "vu", rest="true", name="overview")
    write(ours, "stages", "stereo", name="before and after")
    write(own / "pages", "stages", "peaks", name="my stages")
    write(own / "pages", "night", "loudness", name="night")
    made = Pages(ours, entries(faces=False), "stages", own=own)
    qtbot.addWidget(made)
    assert made.names == ["overview", "night", "my stages"]
    assert [card.entry.meter_id for card in made.page.cards] == ["peaks"]
    assert not made.sentences


def test_a_broken_page_of_the_user_is_told_with_its_line_and_ours_is_shown(qtbot, tmp_path: Path) -> None:
    own = tmp_path / "presets" / "pages"
    own.mkdir(parents=True)
    write(tmp_path, "page", "vu", rest="true", name="overview")
    write(own, "page", "vu", name="mine")
    path = own / "page.toml"
    path.write_text(path.read_text(encoding="utf-8") + 'colour = "red"\n', encoding="utf-8")
    made = Pages(tmp_path, entries(faces=False), "page", own=tmp_path / "presets")
    qtbot.addWidget(made)
    assert made.names == ["overview"]
    (sentence,) = made.sentences
    assert sentence.startswith(f"{path}, line 12: this is not a valid page layout: Object contains unknown field")


def test_pages_beyond_the_keys_are_named(qtbot, tmp_path: Path) -> None:
    for number in range(9):
        write(tmp_path, f"own_{number}", "peaks")
    write(tmp_path, "page", "vu", rest="true")
    made = pages(qtbot, tmp_path)
    assert len(made.names) == 8
    assert made.sentences == ["At most 8 pages are shown; left out: own_7, own_8."]
