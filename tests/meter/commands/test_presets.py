"""`earwitness presets` and the window's menu: list, check, import, export; nothing is overwritten unasked."""

from __future__ import annotations

import json
import stat
from pathlib import Path

import pytest
from PySide6.QtWidgets import QFileDialog, QMenu

from meter.app import surroundings
from meter.cli import main
from meter.commands.preset_store import KINDS, export_page, import_file
from meter.exposure_rules import load_rules
from meter.gui.page.layout import PAGES, pages_folder
from meter.gui.page.presets_menu import EXPORT, IMPORT, PresetsMenu
from meter.preset_files import our_folder, read_preset
from meter.settings import presets_folder

ALIGNMENT = 'kind = "alignment"\nversion = 1\nname = "low"\nlevel_dbfs = -21.0\nsource = "Our own choice."\n'


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr("platformdirs.user_config_dir", lambda *_, **__: str(tmp_path / "config" / "earwitness"))
    return tmp_path


def listed(capsys: pytest.CaptureFixture[str]) -> dict[str, dict[str, object]]:
    capsys.readouterr()
    main(["presets", "list", "--json"])
    return {line["preset"]: line for line in map(json.loads, capsys.readouterr().out.splitlines())}


def test_every_preset_is_listed_and_every_kind_can_be_exported_and_checked(home: Path, capsys) -> None:
    names = listed(capsys)
    ours = {f"{kind.folder}/{path.stem}" for kind in KINDS for path in our_folder(kind).iterdir()}
    assert names.keys() == ours
    assert not any(line["yours"] for line in names.values())
    for number, name in enumerate(sorted(ours)):
        assert main(["presets", "export", name, str(home / f"{number}.toml")]) == 0
    assert main(["presets", "check", *(str(home / f"{number}.toml") for number in range(len(ours)))]) == 0


def test_an_export_that_is_imported_takes_the_place_of_ours(home: Path, capsys) -> None:
    copy = home / "Low End.toml"
    assert main(["presets", "export", "low_end", str(copy)]) == 0
    copy.write_text(
        copy.read_text(encoding="utf-8").replace('name = "low end"', 'name = "my lows"'), encoding="utf-8"
    )
    assert main(["presets", "import", str(copy)]) == 0
    assert "in the place of the program's own" in capsys.readouterr().out
    line = listed(capsys)["pages/low_end"]
    assert (line["name"], line["yours"], line["covers"]) == ("my lows", True, True)
    assert read_preset(presets_folder() / "pages" / "low_end.toml", PAGES).name == "my lows"


def test_one_of_the_users_is_replaced_only_when_asked(home: Path, capsys) -> None:
    path = home / "low.toml"
    path.write_text(ALIGNMENT, encoding="utf-8")
    assert main(["presets", "import", str(path)]) == 0
    path.write_text(ALIGNMENT.replace("-21.0", "-22.0"), encoding="utf-8")
    assert main(["presets", "import", str(path)]) == 2
    assert "already; rename the file, or import it with --replace." in capsys.readouterr().err
    kept = presets_folder() / "alignments" / "low.toml"
    assert "-21.0" in kept.read_text(encoding="utf-8")
    assert main(["presets", "import", "--replace", str(path)]) == 0
    assert "-22.0" in kept.read_text(encoding="utf-8")


def test_an_imported_file_and_its_folders_are_private(home: Path) -> None:
    path = home / "low.toml"
    path.write_text(ALIGNMENT, encoding="utf-8")
    assert main(["presets", "import", str(path)]) == 0
    made = [home / "config", *(home / "config").rglob("*")]
    assert len(made) == 5
    assert not [each for each in made if stat.S_IMODE(each.stat().st_mode) & 0o077]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (ALIGNMENT.replace("-21.0", "1.0"), "mine.toml, line 4: this is not a valid alignment"),
        (ALIGNMENT.replace('"alignment"', '"delivery"'), "mine.toml, line 1: its kind is not known here"),
        ("", "mine.toml, line 1: it does not say what it is"),
        ("import os", "mine.toml, line 1: this is not a valid preset"),
    ],
)
def test_what_cannot_be_used_is_not_kept(home: Path, capsys, text: str, words: str) -> None:
    path = home / "mine.toml"
    path.write_text(text, encoding="utf-8")
    assert main(["presets", "import", str(path)]) == 2
    assert words in capsys.readouterr().err
    assert main(["presets", "check", str(path)]) == 1
    assert words in capsys.readouterr().err
    assert not presets_folder().exists()


def test_a_rule_with_the_name_of_another_is_not_kept(home: Path, capsys) -> None:
    path = home / "copy.toml"
    rule = next(iter(load_rules()))
    assert main(["presets", "export", "who_itu_h870_sensitive", str(path)]) == 0
    assert main(["presets", "import", str(path)]) == 2
    assert f"There is a rule “{rule}” already" in capsys.readouterr().err


def test_a_broken_file_of_the_user_is_named_by_the_list(home: Path, capsys) -> None:
    path = presets_folder() / "exposure" / "mine.toml"
    path.parent.mkdir(parents=True)
    path.write_text("kind = ", encoding="utf-8")
    assert main(["presets"]) == 1
    said = capsys.readouterr()
    assert f"{path}, line 1: " in said.err
    assert "exposure/niosh_98_126" in said.out


def test_a_wrong_word_is_one_sentence(home: Path, capsys) -> None:
    taken = home / "taken.toml"
    taken.write_text("mine", encoding="utf-8")
    assert main(["presets", "export", "ghost"]) == 2
    assert capsys.readouterr().err == "There is no preset “ghost”; “earwitness presets” lists them.\n"
    for words in (["export"], ["export", "a", "b", "c"], ["import"], ["check"], ["list", "page"], ["lists"]):
        with pytest.raises(SystemExit) as ended:
            main(["presets", *words])
        assert ended.value.code == 2
        assert "presets" in capsys.readouterr().err.splitlines()[-1]
    assert main(["presets", "export", "page", str(taken)]) == 0
    assert taken.read_text(encoding="utf-8") == "mine"
    assert (home / "taken-2.toml").exists()


def test_a_full_disk_and_a_file_in_the_way_are_named(home: Path, capsys) -> None:
    path = home / "low.toml"
    path.write_text(ALIGNMENT, encoding="utf-8")
    (home / "config").write_text("in the way", encoding="utf-8")
    assert main(["presets", "import", str(path)]) == 1
    assert "cannot be written (Not a directory)" in capsys.readouterr().err


def test_the_menu_imports_a_file_and_exports_the_shown_page(home: Path, qtbot, monkeypatch) -> None:
    menu, said = QMenu(), list[str]()
    qtbot.addWidget(menu)
    shown = ["low_end"]
    PresetsMenu(menu, import_file, export_page, lambda: shown[0], said.append)
    actions = {action.text(): action for action in menu.actions()}
    place = str(home / "mine.toml")
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (place, ""))
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_: (place, ""))
    actions[EXPORT].trigger()
    assert Path(place).read_bytes() == (pages_folder() / "low_end.toml").read_bytes()
    actions[IMPORT].trigger()
    assert said[-1].startswith("The page layout “low end” is kept as ")
    assert (presets_folder() / "pages" / "mine.toml").exists()
    actions[IMPORT].trigger()
    assert "already; rename the file" in said[-1]
    shown[0] = "feeds"
    actions[EXPORT].trigger()
    assert said[-1] == "This page comes from no file; choose another page to export."
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_: ("", ""))
    before = list(said)
    actions[IMPORT].trigger()
    assert said == before, "the dialog was left"


def test_the_window_starts_with_what_can_be_used_and_names_the_rest(home: Path) -> None:
    folder = presets_folder()
    for place, text in (("exposure/mine", "kind = "), ("alignments/low", ALIGNMENT), ("alignments/bad", "[")):
        path = folder / f"{place}.toml"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    around = surroundings(folder.parent / "settings.json", [], "kept from before.")
    assert around.notice.startswith("kept from before. ")
    assert f"{folder / 'exposure' / 'mine.toml'}, line 1: " in around.notice
    assert f"{folder / 'alignments' / 'bad.toml'}, line 1: " in around.notice
    assert [rule.name for rule in around.rules] == list(load_rules())
    offered = {level for entry in around.meters for _, level in entry.offered.get("alignment_dbfs", ())}
    assert {-18.0, -21.0} <= offered
