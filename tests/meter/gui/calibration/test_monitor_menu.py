"""“I turned it to …” with a key and a number, and a setting of one's own."""

from __future__ import annotations

import pytest

from meter.gui.calibration.monitor_menu import ELSEWHERE, AnotherSetting, TurnMenu
from meter.settings import HEADPHONES, LOUDSPEAKERS

NAMES = ("full", "−10", "−20", "R&D")


@pytest.fixture
def menu(qtbot):
    made = TurnMenu()
    qtbot.addWidget(made)
    made.fill(NAMES, "−10", LOUDSPEAKERS, sure=True)
    return made


def action(menu, words):
    return next(item for item in menu.actions() if words in item.text())


def test_settings_have_numbers_and_the_present_one_is_marked(menu):
    assert [item.text() for item in menu.actions()][1:5] == ["&1  my mix position", "&2  −10", "&3  −20", "&4  R&&D"]
    assert [item.text() for item in menu.actions() if item.isChecked()] == ["&2  −10", LOUDSPEAKERS]
    menu.fill(NAMES, "−10", HEADPHONES, sure=False)
    assert [item.text() for item in menu.actions() if item.isChecked()] == [HEADPHONES]


@pytest.mark.parametrize(
    ("words", "signal", "expected"),
    [("−20", "turned", ["−20"]), ("R&&D", "turned", ["R&D"]), (HEADPHONES, "listens", [HEADPHONES]),
     ("another", "another_asked", []), (ELSEWHERE, "lost", [])],
)  # fmt: skip
def test_each_entry_says_what_it_says(menu, qtbot, words, signal, expected):
    with qtbot.waitSignal(getattr(menu, signal)) as heard:
        action(menu, words).trigger()
    assert heard.args == expected


@pytest.fixture
def another(qtbot):
    made = AnotherSetting()
    qtbot.addWidget(made)
    made.bring_up()
    return made


def test_a_setting_of_ones_own(another, qtbot):
    assert not another.keep.isEnabled()
    another.name.setText("  late   night ")
    another.change.setText("−14,5")
    with qtbot.waitSignal(another.named) as heard:
        another.keep.click()
    assert heard.args == ["late night", -14.5]
    assert not another.isVisible()
    another.bring_up()
    assert another.name.text() == another.change.text() == ""


@pytest.mark.parametrize(
    ("name", "change", "words"), [("late", "loud", "from your mix position"), ("x" * 30, "-3", "24 letters")]
)
def test_what_cannot_be_is_one_sentence(another, name, change, words):
    another.name.setText(name)
    another.change.setText(change)
    assert words in another.outcome.text()
    assert not another.keep.isEnabled()
    heard = []
    another.named.connect(lambda *said: heard.append(said))
    another._keep()
    assert heard == []
