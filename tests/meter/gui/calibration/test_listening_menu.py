"""Who listens and by which rule: what the menu offers is what there is, and what is chosen reaches the meter."""

from __future__ import annotations

import pytest
from PySide6.QtWidgets import QInputDialog, QMenu

from meter.app import rule_entries
from meter.exposure_rules import load_rules
from meter.gui.calibration.listening_menu import MOST_LETTERS, SOMEBODY_ELSE, ListeningMenu
from meter.logbook.exposure_record import persons_in
from meter.settings import Settings, SourceChoice
from tests.support.frames import FakeLink, entries
from tests.support.ledgers import Desk

RULES = rule_entries(load_rules())


class Bench:
    def __init__(self, qtbot, people=("Ada", "me"), **settings):
        self.menu = QMenu()
        qtbot.addWidget(self.menu)
        self.people = list(people)
        self.settings = {"person": "me", "rule": RULES[0].name} | settings
        self.chosen = []
        self.listening = ListeningMenu(self.menu, RULES, lambda: self.people, lambda: self.settings)
        self.listening.chosen.connect(self.chosen.append)
        self.listening.fill()

    def words(self):
        return [action.text() for action in self.menu.actions() if action.text() and not action.isSeparator()]

    def checked(self):
        return [action.text() for action in self.menu.actions() if action.isChecked()]

    def choose(self, words):
        next(action for action in self.menu.actions() if action.text() == words).trigger()


@pytest.fixture
def bench(qtbot):
    return Bench(qtbot)


def test_every_rule_that_ships_is_offered_the_most_protective_first_with_its_caution(bench):
    rules = load_rules()
    assert bench.words() == ["Ada", "me", SOMEBODY_ELSE, *rules]
    cautions = {action.text(): action.toolTip() for action in bench.menu.actions()}
    assert all(cautions[name] == rule.caution for name, rule in rules.items())
    assert bench.checked() == ["me", RULES[0].name]


def test_a_rule_is_chosen_with_all_its_figures(bench):
    bench.choose(RULES[-1].name)
    assert bench.chosen == [dict(RULES[-1].settings)]
    assert bench.chosen[0]["period"] in ("day", "week")


def test_a_person_is_chosen_by_name(bench):
    bench.choose("Ada")
    assert bench.chosen == [{"person": "Ada"}]


def test_the_menu_is_filled_anew_each_time_it_opens(bench):
    bench.people.append("Bo & Co")
    bench.settings["person"] = "Bo & Co"
    bench.menu.aboutToShow.emit()
    assert bench.checked()[0] == "Bo && Co"
    bench.choose("Bo && Co")
    assert bench.chosen == [{"person": "Bo & Co"}]


def test_somebody_without_a_ledger_is_offered_while_chosen(qtbot):
    assert Bench(qtbot, people=(), person="new").words()[:2] == ["new", SOMEBODY_ELSE]


@pytest.mark.parametrize(
    ("typed", "agreed", "expected"),
    [
        ("Ada", True, [{"person": "Ada"}]),
        ("  two   words ", True, [{"person": "two words"}]),
        ("x" * 100, True, [{"person": "x" * MOST_LETTERS}]),
        ("   ", True, []),
        ("Ada", False, []),
    ],
)
def test_a_new_name_is_asked_for(bench, monkeypatch, typed, agreed, expected):
    monkeypatch.setattr(QInputDialog, "getText", lambda *_: (typed, agreed))
    bench.choose(SOMEBODY_ELSE)
    assert bench.chosen == expected


def test_the_people_are_those_with_a_ledger_on_disk(tmp_path):
    assert persons_in(tmp_path / "none.sqlite3") == ()
    assert not (tmp_path / "none.sqlite3").exists()
    (tmp_path / "broken.sqlite3").write_bytes(b"no table " * 100)
    assert persons_in(tmp_path / "broken.sqlite3") == ()
    desk = Desk(tmp_path, person="Ada")
    desk.listen(80.0, 10)
    assert persons_in(desk.path) == ("Ada",)
    desk.ledger.close()


def test_what_is_chosen_reaches_the_meter_and_is_kept(qtbot, tmp_path):
    from meter.gui.engine_link import Surroundings
    from meter.gui.page.layout import pages_folder
    from meter.gui.window import Window

    link, settings = FakeLink(), Settings(source=SourceChoice("monitor", "out"), cautions_read=True)
    around = Surroundings(tmp_path / "settings.json", pages_folder(), meters=entries(faces=False), rules=RULES)
    window = Window(link, settings, around)
    qtbot.addWidget(window)
    window.listening.fill()
    action = next(each for each in window.more.listening.actions() if each.text() == RULES[-1].name)
    action.trigger()
    assert link.called("configure")[-1] == ("configure", "listening", dict(RULES[-1].settings))
    assert settings.meters["listening"]["rule"] == RULES[-1].name
    window.listening.fill()
    assert next(each for each in window.more.listening.actions() if each.text() == RULES[-1].name).isChecked()
    window.close()
