"""Discovery makes a record of every meter, imports nothing, and lets one broken plugin harm no other."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from meter.plugin.host import discover, load_processor, usable
from tests.support.plugins import write_meter

OURS = [path.parent.name for path in (Path(__file__).parents[3] / "meter" / "builtin").glob("*/manifest.toml")]


def test_our_meters_come_through_the_door_of_everybody() -> None:
    found = discover()
    assert sorted(plugin.id for plugin in found if plugin.package.startswith("meter.builtin.")) == sorted(OURS)
    assert all(plugin.usable for plugin in found)


def test_discovery_imports_nothing_of_a_meter() -> None:
    code = (
        "import sys; from meter.plugin.host import discover; discover(); "
        "bad = [name for name in sys.modules if name.startswith('meter.builtin.') or 'PySide6' in name]; "
        "sys.exit(repr(bad) if bad else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_a_folder_meter_is_found_and_loaded(tmp_path: Path) -> None:
    [plugin] = discover([write_meter(tmp_path / "own", "own")], installed=False)
    assert plugin.usable
    assert type(load_processor(plugin)).__name__ == "Meter"


def test_two_folders_may_use_the_same_module_name(tmp_path: Path) -> None:
    folders = [
        write_meter(tmp_path / name, name, f"self.total = {value}") for name, value in (("one", 1.0), ("two", 2.0))
    ]
    first, second = (load_processor(plugin) for plugin in discover(folders, installed=False))
    assert type(first) is not type(second)


def test_a_second_meter_of_the_same_id_is_refused(tmp_path: Path) -> None:
    found = discover([write_meter(tmp_path / "fake", "loudness")])
    refused = [plugin for plugin in found if plugin.refusal]
    assert [plugin.id for plugin in refused] == ["loudness"]
    assert "already taken" in refused[0].refusal
    assert len(usable(found)) == len(OURS)


def test_an_empty_folder_is_a_record_not_a_crash(tmp_path: Path) -> None:
    [plugin] = discover([tmp_path], installed=False)
    assert not plugin.usable
    assert "cannot be read" in plugin.refusal


def test_a_manifest_that_names_what_is_not_there(tmp_path: Path) -> None:
    folder = write_meter(tmp_path / "own", "own")
    manifest = (folder / "manifest.toml").read_text(encoding="utf-8")
    (folder / "manifest.toml").write_text(manifest.replace("process:Meter", "process:Gone"), encoding="utf-8")
    [plugin] = discover([folder], installed=False)
    with pytest.raises(ImportError, match="has no Gone"):
        load_processor(plugin)


def test_a_meter_that_ends_the_program_at_import_is_an_import_error(tmp_path: Path) -> None:
    folder = write_meter(tmp_path / "leaver", "leaver")
    (folder / "process.py").write_text("import sys\nMeter = sys.exit(7)\n", encoding="utf-8")
    [plugin] = discover([folder], installed=False)
    with pytest.raises(ImportError, match="ends the program"):
        load_processor(plugin)
