"""The window's menu of meters by others: what is ticked may run, and a choice is written at once."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtWidgets import QMenu

from meter.commands.meters import enabled_path
from meter.commands.window_meters import enable_other, meter_entries, other_meters
from meter.gui.page.foreign_meters_menu import NONE_FOUND, OthersMenu
from meter.plugin.enabled import read_enabled, write_enabled
from meter.plugin.host import discover
from tests.support.plugins import write_meter


@pytest.fixture(autouse=True)
def own_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platformdirs.user_config_dir", lambda *_, **__: str(tmp_path / "config"))


def shown(qtbot, folders: list[Path], said: list[str]) -> QMenu:
    menu = QMenu()
    qtbot.addWidget(menu)
    OthersMenu(menu, lambda: other_meters(folders), enable_other, said.append)
    menu.aboutToShow.emit()
    return menu


def test_without_any_it_says_so(qtbot) -> None:
    [action] = shown(qtbot, [], []).actions()
    assert (action.text(), action.isEnabled()) == (NONE_FOUND, False)


def test_a_meter_is_disabled_and_enabled_again(qtbot, tmp_path: Path) -> None:
    folder = write_meter(tmp_path / "R&D", "own")
    assert "is enabled" in enable_other(str(folder), True)
    said: list[str] = []
    menu = shown(qtbot, [], said)
    [action] = menu.actions()
    assert (action.text(), action.isChecked()) == (f"Meter own 0.1.0, folder {folder}".replace("&", "&&"), True)
    action.trigger()
    assert "is disabled" in said[-1]
    assert read_enabled(enabled_path())[0].meters == ()


def test_one_named_for_this_run_is_ticked_and_stays_so(qtbot, tmp_path: Path) -> None:
    [action] = shown(qtbot, [write_meter(tmp_path / "own", "own")], []).actions()
    assert (action.isChecked(), action.isEnabled()) == (True, False)
    assert str(tmp_path / "own") in action.toolTip(), "where the code lies"


def test_a_changed_version_has_a_card_that_says_so_and_does_not_run(tmp_path: Path) -> None:
    folder = write_meter(tmp_path / "own", "own")
    [plugin] = discover([folder], installed=False)
    assert plugin.identity is not None
    enable_other(str(folder), True)
    enabled, _ = read_enabled(enabled_path())
    assert [entry.trouble for entry in meter_entries([], enabled) if entry.meter_id == "own"] == [""]
    manifest = folder / "manifest.toml"
    manifest.write_text(manifest.read_text(encoding="utf-8").replace('"0.1.0"', '"0.2.0"'), encoding="utf-8")
    [entry] = [entry for entry in meter_entries([], enabled) if entry.meter_id == "own"]
    assert "is now version 0.2.0, which is not enabled" in entry.trouble
    [found] = other_meters([])
    assert not found.enabled


def test_a_refusal_is_one_sentence(tmp_path: Path) -> None:
    assert "neither an installed meter nor a folder" in enable_other(str(tmp_path / "gone"), True)
    fake = write_meter(tmp_path / "fake", "loudness")
    assert "taken by a meter of this program" in enable_other(str(fake), True)


def test_a_disk_that_takes_nothing_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "config").write_text("", encoding="utf-8")
    sentence = enable_other(str(write_meter(tmp_path / "own", "own")), True)
    assert "cannot be written" in sentence or "cannot be read" in sentence
    with pytest.raises(OSError, match="check that the folder is writable"):
        write_enabled(read_enabled(enabled_path())[0], enabled_path())
