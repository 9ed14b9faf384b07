"""One meter, many feeds: cards are added, moved and removed from menus, kept, and shown again at the next start."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QAction
from PySide6.QtWidgets import QApplication, QMenu

from meter import settings as settings_file
from meter.app import allowed_settings
from meter.gui.engine_link import MeterEntry, Surroundings
from meter.gui.kit.choice import Choice
from meter.gui.marks.span_words import figures_of, incidents
from meter.gui.page.layout import feeds_plan, height_of, pages_folder, rectangle
from meter.gui.page.pages import FEEDS
from meter.gui.window import Window
from meter.instances import MOST_FURTHER, Instance
from meter.plugin.manifest import SettingEntry
from meter.readings import Frame, Layout
from meter.settings import Settings, SourceChoice
from meter.settings_merge import SharedSettings
from tests.support.frames import FakeLink, all_manifests, entries, frame, status

DRUMS, GUITARS = "part drum bus", "part guitar bus"
FEEDS_OF_SONG = {"mix": (0, 1), DRUMS: (2, 3), GUITARS: (4, 5)}
ON_DRUMS, ON_GUITARS = Instance("vu_2", "vu", DRUMS), Instance("vu_3", "vu", GUITARS)


def plan_of(*further: Instance, feeds: dict[str, tuple[int, ...]] = FEEDS_OF_SONG) -> Layout:
    """The layout of an engine with these further instances."""
    found = all_manifests()
    instances = (*(Instance(key, key, item.feed) for key, item in found.items()), *further)
    fields = {each.id: found[each.meter].fields for each in instances}
    return Layout.build(fields, dict.fromkeys(fields, 2), feeds, instances=instances)


class Bench:
    """A window on a song with three feeds; ``start`` closes it and opens it again from the same file."""

    def __init__(self, qtbot, folder: Path, meters: tuple[MeterEntry, ...] | None = None) -> None:
        self._qtbot = qtbot
        self.path = folder / "settings.json"
        self.meters = meters if meters is not None else entries()
        self.settings = Settings(source=SourceChoice("demo", label="the demo"), cautions_read=True)
        self.start()

    def start(self) -> None:
        if hasattr(self, "window"):
            self.window.close()
            self.settings, told = settings_file.load(self.path)
            assert told == ""
        self.link = FakeLink()
        self.window = Window(self.link, self.settings, Surroundings(self.path, pages_folder(), meters=self.meters))
        self._qtbot.addWidget(self.window)
        self.window.show()
        self._qtbot.waitUntil(self.window.may_draw)

    def show(self, shown: Frame) -> None:
        self.link.now = shown
        self.window.clock.tick()
        QApplication.processEvents()

    def hear(self, *further: Instance, given: dict[str, object] | None = None, **feed: object) -> None:
        self.show(frame(10.0, given=given, plan=plan_of(*further), feed=status(10.0, channels=6, **feed)))

    def choices(self, instance_id: str) -> Sequence[Choice]:
        """What the window adds to the menu of the card that is shown."""
        card = self.window.page.card(instance_id)
        assert card is not None
        return card.face.window_choices()

    def choose(self, instance_id: str, *path: str) -> None:
        """Open the menu of a card and go down to an entry."""
        card = self.window.page.card(instance_id)
        assert card is not None
        entry_of(card.face.menu(), *path).trigger()

    def from_more(self, *path: str) -> None:
        self.window.more.cards.aboutToShow.emit()
        entry_of(self.window.more.cards, *path).trigger()


def entry_of(menu: QMenu, *path: str) -> QAction:
    """The action with these words in a menu and its submenus."""
    for words in path[:-1]:
        found = next(action.menu() for action in menu.actions() if action.text() == words and action.menu())
        assert isinstance(found, QMenu)
        menu = found
    return next(action for action in menu.actions() if action.text() == path[-1])


@pytest.fixture
def bench(qtbot, tmp_path: Path):
    made = Bench(qtbot, tmp_path)
    made.hear()
    yield made
    made.window.close()


def test_a_card_is_added_by_its_twins_menu_and_shown_beside_it(bench: Bench) -> None:
    bench.window.meters.choose("vu", {"alignment_dbfs": -20.0})
    bench.choose("vu", "another Level on", "drum bus")
    assert bench.link.called("use_instances") == [("use_instances", (ON_DRUMS,))]
    _, configured, sent = bench.link.called("configure")[-1]
    assert (configured, sent["alignment_dbfs"], sent["movement"]) == ("vu_2", -20.0, "vu")
    assert bench.window.page.name == "by feed"
    assert [card.face.title for card in bench.window.page.cards] == ["Level: mix", "Level: drum bus"]
    assert bench.window.feed_line._flashed == "Level: drum bus counts from now"
    bench.hear(
        ON_DRUMS, given={"vu.alignment": -18.0, "vu_2.alignment": -14.0, "vu_2.usual": 2.0, "vu_2.usual_low": 2.0}
    )
    first, second = (card.face for card in bench.window.page.cards)
    assert (first.subtitle, second.subtitle) == ("0 VU = −18 dBFS", "0 VU = −14 dBFS")
    assert "sits at +2 VU" in second.value_text()
    assert "sits at" not in first.value_text()


def test_the_keyboard_reaches_the_same_by_the_menu_more(bench: Bench, qtbot) -> None:
    bench.from_more("another Level on", "guitar bus")
    assert bench.link.called("use_instances")[-1] == ("use_instances", (Instance("vu_2", "vu", GUITARS),))
    bench.from_more("Level: guitar bus", "drum bus")
    assert bench.link.called("use_instances")[-1] == ("use_instances", (Instance("vu_3", "vu", DRUMS),))
    bench.from_more("Level: drum bus", "remove this card")
    assert bench.link.called("use_instances")[-1] == ("use_instances", ())
    card = bench.window.page.card("vu")
    assert card is not None
    assert card.face._corner.focusPolicy() & Qt.FocusPolicy.TabFocus
    menu = bench.window.more
    assert any(action.menu() is menu.cards for action in menu.actions())


def test_each_card_has_its_own_alignment(bench: Bench) -> None:
    bench.choose("vu", "another Level on", "drum bus")
    bench.choose("vu_2", "another Level on", "guitar bus")
    bench.choose("vu_2", "−14 dBFS")
    bench.choose("vu_3", "−24 dBFS")
    sent = [call for call in bench.link.called("configure") if call[2].keys() == {"alignment_dbfs"}]
    assert sent == [
        ("configure", "vu_2", {"alignment_dbfs": -14.0}), ("configure", "vu_3", {"alignment_dbfs": -24.0}),
    ]  # fmt: skip
    assert [card.face.settings["alignment_dbfs"] for card in bench.window.page.cards] == [-18.0, -14.0, -24.0]


def test_everything_is_there_again_at_the_next_start(bench: Bench) -> None:
    bench.choose("vu", "another Level on", "drum bus")
    bench.choose("vu", "another Level on", "guitar bus")
    bench.choose("vu_2", "−14 dBFS")
    bench.start()
    assert bench.settings.instances == [ON_DRUMS, ON_GUITARS]
    assert bench.window.page.name == "by feed", "the page of last time is shown"
    assert [card.face.title for card in bench.window.page.cards] == [
        "Level: mix", "Level: drum bus", "Level: guitar bus",
    ]  # fmt: skip
    assert [card.face.settings["alignment_dbfs"] for card in bench.window.page.cards] == [-18.0, -14.0, -18.0]
    assert allowed_settings(bench.settings, ()) == {"vu_2": {"alignment_dbfs": -14.0}}
    bench.window.turn_to(0)
    bench.start()
    assert bench.window.page.name == "overview"
    assert bench.window.pages.names == ["overview", "low end", "before and after", "by feed"]


def test_a_removed_card_takes_its_settings_and_the_last_one_the_page(bench: Bench) -> None:
    bench.choose("vu", "another Level on", "drum bus")
    bench.choose("vu_2", "another Level on", "guitar bus")
    bench.choose("vu_2", "−14 dBFS")
    bench.choose("vu_2", "remove this card")
    assert [card.entry.meter_id for card in bench.window.page.cards] == ["vu", "vu_3"]
    assert "vu_2" not in bench.settings.meters
    bench.choose("vu_3", "remove this card")
    assert bench.window.page.name == "overview"
    assert [tab.text() for tab in bench.window.feed_line.tabs] == ["overview", "low end", "before and after"]
    bench.start()
    assert (bench.settings.instances, bench.settings.page) == ([], "page")


def test_no_number_is_given_twice_in_a_sitting(bench: Bench) -> None:
    """Marks may hold figures of the instance that had it."""
    bench.from_more("another Level on", "drum bus")
    bench.choose("vu_2", "−14 dBFS")
    bench.from_more("Level: drum bus", "remove this card")
    bench.from_more("another Level on", "mix")
    assert bench.settings.instances == [Instance("vu_3", "vu", "mix")]
    assert bench.window.page.card("vu_3").face.settings["alignment_dbfs"] == -18.0


def test_a_card_that_is_moved_keeps_its_place_and_its_settings(bench: Bench) -> None:
    for feed in ("drum bus", "drum bus"):
        bench.choose("vu", "another Level on", feed)
    bench.choose("vu_2", "−14 dBFS")
    bench.choose("vu_2", "move it to", "guitar bus")
    assert bench.link.called("use_instances")[-1][1] == (
        Instance("vu_4", "vu", GUITARS),
        Instance("vu_3", "vu", DRUMS),
    )
    _, configured, sent = bench.link.called("configure")[-1]
    assert (configured, sent["alignment_dbfs"], sent["movement"]) == ("vu_4", -14.0, "vu")
    assert set(bench.settings.meters) == {"vu_3", "vu_4"}
    assert [card.face.title for card in bench.window.page.cards][1:] == ["Level: guitar bus", "Level: drum bus"]


def test_marks_and_overs_of_another_feed_name_it() -> None:
    plan = plan_of(Instance("peaks_2", "peaks", DRUMS))
    names = [(each.key, each.name) for each in figures_of(plan) if each.key.endswith("true_max_mark")]
    assert names == [("peaks.true_max_mark", "true peak"), ("peaks_2.true_max_mark", "drum bus: true peak")]
    over = {"over_at": 4.0, "over_channel": 1.0, "over_peak": 0.3, "over_count": 1.0}
    none = [math.nan] * (plan.by_key["peaks.over_at"].size - 1)
    given = {f"{meter}.{key}": [value, *none] for meter in ("peaks", "peaks_2") for key, value in over.items()}
    told = [each.what for each in incidents(frame(10.0, given=given, plan=plan, feed=status(10.0)), 1000.0)]
    assert told == ["OVER +0.3 dBTP, right", "drum bus: OVER +0.3 dBTP, right"]


def test_readings_as_text_name_the_feed(bench: Bench) -> None:
    bench.from_more("another Level on", "drum bus")
    bench.hear(ON_DRUMS, given={"vu_2.max": 1.5})
    bench.window.read_levels()
    text = bench.window.readings.text.toPlainText()
    assert "\nLevel: drum bus\n" in text
    assert text.count("\nLevel\n") == 1
    bench.window.readings.close()


def test_a_feed_that_is_not_there_is_one_sentence_and_another_can_be_chosen(bench: Bench) -> None:
    bench.choose("vu", "another Level on", "drum bus")
    told = "This source has no feed “drum bus”; name the feeds (F), or choose another feed in the menu of this card."
    without = {"mix": (0, 1), GUITARS: (2, 3)}
    plan = plan_of(feeds=without)
    bench.show(frame(11.0, plan=plan, feed=status(11.0, quarantined={"vu_2": told})))
    face = bench.window.page.card("vu_2").face
    assert face.fault == told
    assert f"Level: drum bus: set aside: {told}" in bench.window.page.read_out()
    assert face._corner.isVisible()
    offered = [choice.words for choice in bench.choices("vu_2") if choice.under == "move it to"]
    assert offered == ["mix", "guitar bus", "name the feeds…"]
    bench.choose("vu_2", "move it to", "guitar bus")
    assert bench.link.called("use_instances")[-1] == ("use_instances", (ON_GUITARS,))
    bench.show(frame(12.0, plan=plan_of(ON_GUITARS, feeds=without), feed=status(12.0)))
    assert bench.window.page.card("vu_3").face.fault == ""


def test_the_sentence_about_the_feed_wins_however_late_it_comes(bench: Bench) -> None:
    bench.choose("vu", "another Level on", "drum bus")
    plan = plan_of()
    bench.show(frame(11.0, plan=plan, feed=status(11.0)))
    assert bench.window.page.card("vu_2").face.fault == "It is not measured on this source."
    bench.show(frame(11.1, plan=plan, feed=status(11.1, quarantined={"vu_2": "no feed “drum bus”"})))
    assert bench.window.page.card("vu_2").face.fault == "no feed “drum bus”"


def test_the_feed_of_a_card_is_ticked_and_naming_feeds_is_offered(bench: Bench) -> None:
    bench.choose("vu", "another Level on", "drum bus")
    ticked = [choice.words for choice in bench.choices("vu_2") if choice.chosen]
    assert ticked == ["drum bus"]
    bench.choose("vu_2", "move it to", "name the feeds…")
    assert bench.window.feeds.finder.isVisible()


def test_what_stands_only_once_says_why(bench: Bench) -> None:
    bench.window.more.cards.aboutToShow.emit()
    off = [action.text() for action in bench.window.more.cards.actions() if action.text() and not action.isEnabled()]
    assert off == ["Listening: only once, it keeps the exposure record", "Low end: only once, it takes all feeds"]
    assert bench.choices("listening") == ()


def test_there_is_a_most_and_it_is_said(bench: Bench) -> None:
    for _ in range(MOST_FURTHER + 1):
        bench.from_more("another Peaks on", "drum bus")
    assert len(bench.settings.instances) == MOST_FURTHER
    assert "remove one first" in bench.window.feed_line.asked()
    bench.window.resize(1280, 800)
    QApplication.processEvents()
    for card in bench.window.page.cards:
        least = card.face.minimumSizeHint()
        assert card.face.height() >= least.height()
        assert card.face.width() >= least.width()


def test_a_tapped_tempo_counts_for_every_instance(qtbot, tmp_path: Path) -> None:
    tempo = (SettingEntry("tempo_bpm", 0.0, least=0.0, most=400.0),)
    pulse = MeterEntry("pulse", "Pulse", settings=tempo, services=("tempo",))
    bench = Bench(qtbot, tmp_path, (*entries(), pulse))
    bench.hear()
    bench.from_more("another Pulse on", "drum bus")
    bench.window.feeds.tempo_told.emit(97.0)
    told = [call[1] for call in bench.link.called("configure") if call[2] == {"tempo_bpm": 97.0}]
    assert told == ["low_end", "pulse", "pulse_2"]
    bench.window.close()


def test_a_meter_that_cannot_run_now_keeps_its_cards_for_later(qtbot, tmp_path: Path) -> None:
    bench = Bench(qtbot, tmp_path)
    bench.hear()
    bench.from_more("another Level on", "drum bus")
    bench.from_more("another Peaks on", "drum bus")
    bench.meters = tuple(replace(entry, trouble="gone") if entry.meter_id == "vu" else entry for entry in entries())
    bench.start()
    assert [card.entry.meter_id for card in bench.window.page.cards] == ["peaks", "peaks_2"]
    bench.hear()
    bench.from_more("another Peaks on", "guitar bus")
    assert bench.link.called("use_instances")[-1][1] == (
        Instance("peaks_2", "peaks", DRUMS), Instance("peaks_3", "peaks", GUITARS),
    )  # fmt: skip
    assert ON_DRUMS in bench.settings.instances
    bench.meters = entries()
    bench.start()
    assert bench.window.page.card("vu_2") is not None
    bench.window.close()


ODD = [
    [{"id": "vu_2", "meter": "vu", "feed": ""}],
    [{"id": "vu", "meter": "vu", "feed": "mix"}],
    [{"id": "low_end_2", "meter": "low_end", "feed": "mix"}],
    [{"id": "ghost_2", "meter": "ghost", "feed": "mix"}],
    [{"id": "vu_2", "meter": "vu", "feed": "x" * 100_000}],
    [{"id": f"vu_{'9' * 5000}", "meter": "vu", "feed": "mix"}],
]


@pytest.mark.parametrize("odd", ODD, ids=range(len(ODD)))
def test_odd_instances_in_the_file_are_left_out(qtbot, tmp_path: Path, odd: list[dict[str, str]]) -> None:
    bench = Bench(qtbot, tmp_path)
    bench.window.close()
    text = json.loads(bench.path.read_text(encoding="utf-8"))
    bench.path.write_text(json.dumps({**text, "instances": odd, "page": FEEDS}), encoding="utf-8")
    bench.start()
    assert bench.window.pages.names == ["overview", "low end", "before and after"]
    assert bench.window.page.name == "overview"
    bench.window.close()


def test_two_windows_keep_each_others_cards(tmp_path: Path) -> None:
    path = tmp_path / "settings.json"
    settings_file.save(Settings(instances=[ON_DRUMS]), path)
    one, two = (settings_file.load(path)[0] for _ in range(2))
    kept = SharedSettings(one, path), SharedSettings(two, path)
    one.instances = [*one.instances, ON_GUITARS]
    two.theme = "light"
    assert [each.save() for each in kept] == ["", ""]
    found, _ = settings_file.load(path)
    assert (found.instances, found.theme) == ([ON_DRUMS, ON_GUITARS], "light")


@pytest.mark.parametrize("sizes", [[2], [3], [4], [5], [2, 3, 5], [17]], ids=str)
def test_the_page_has_each_meter_in_rows_of_up_to_four(sizes: list[int]) -> None:
    groups = [[f"m{number}_{each}" for each in range(size)] for number, size in enumerate(sizes)]
    plan = feeds_plan(groups)
    boxes = [rectangle(place, plan, 1252, height_of(plan, 1252, 712, 10), 10) for place in plan.place]
    assert [place.meter for place in plan.place] == [name for group in groups for name in group]
    rows = [[box for box in boxes if box[1] == top] for top in sorted({box[1] for box in boxes})]
    assert all(1 <= len(row) <= 4 for row in rows)
    for row in rows:
        assert row[0][0] == 0
        assert row[-1][0] + row[-1][2] == 1252
        assert max(box[2] for box in row) - min(box[2] for box in row) <= 1
    assert max(box[3] for box in boxes) <= min(box[2] for box in boxes) + 1
