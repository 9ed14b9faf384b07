"""The meter of DEVELOPERS.md with the usual mistakes: one sentence with file and line, wherever it is asked for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from dsp.core.signals import tone
from meter.cli import main
from meter.commands.window_meters import meter_entries
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.feeds import whole_mix
from meter.gui.page.page import _make_face
from meter.plugin.host import discover
from tests.support.handbook_meter import write_handbook_meter
from tests.support.wave_files import write_wave


@dataclass(frozen=True)
class Mistake:
    """A change to one file, and what is said about it; ``at`` is text of the line that is named."""

    file: str
    old: str
    new: str
    says: str
    at: str


MISTAKES = {
    "an unknown key": Mistake("manifest.toml", "summary = true", "sumary = true", "sumary", "sumary = true"),
    "a wrong unit": Mistake(
        "manifest.toml", 'unit = "dB"', 'unit = "decibel"', "decibel", 'unit = "decibel"',
    ),
    "a wrong contract": Mistake("manifest.toml", 'contract = "2.0"', 'contract = "1.2"', "1.2", "contract ="),
    "no TOML": Mistake("manifest.toml", 'name = "Tilt"', 'name = "Tilt', "", "name ="),
    "a default over its limit": Mistake(
        "manifest.toml", "default = 1000.0", "default = 9000.0", "split_hz", "default = 9000.0",
    ),
    "a class that is not there": Mistake(
        "manifest.toml", "process:Tilt", "process:Tlit", "process.py has no “Tlit”", "process:Tlit",
    ),
    "a syntax error": Mistake("process.py", "class Tilt:", "class Tilt", "expected ':'", "class Tilt"),
}  # fmt: skip
IMPORT = Mistake(
    "process.py",
    "from dsp.core.sos import",
    "from dsp.core.soss import",
    "No module named 'dsp.core.soss'",
    "soss import",
)


def make(mistake: Mistake, tmp_path: Path) -> tuple[Path, str]:
    """The folder, and the place that has to be named."""
    folder = write_handbook_meter(tmp_path / "tilt")
    path = folder / mistake.file
    text = path.read_text(encoding="utf-8")
    assert text.count(mistake.old) == 1
    path.write_text(text.replace(mistake.old, mistake.new), encoding="utf-8")
    [line] = [number for number, line in enumerate(path.read_text().splitlines(), 1) if mistake.at in line]
    return folder, f"{mistake.file}, line {line}"


@pytest.mark.parametrize("name", MISTAKES)
def test_the_list_names_file_and_line(name: str, tmp_path: Path, capsys) -> None:
    folder, place = make(MISTAKES[name], tmp_path)
    assert main(["plugins", "--plugins", str(folder)]) == 0
    [line] = [line for line in capsys.readouterr().out.splitlines() if str(folder) in line]
    assert line.startswith("tilt         refused: ")
    assert f"{folder}/{place}" in line
    assert MISTAKES[name].says in line


@pytest.mark.parametrize("name", MISTAKES)
def test_the_window_names_file_and_line_on_its_card(name: str, tmp_path: Path, qapp, qtbot) -> None:
    folder, place = make(MISTAKES[name], tmp_path)
    [entry] = [entry for entry in meter_entries([folder]) if entry.meter_id == "tilt"]
    face = _make_face(entry, "")
    qtbot.addWidget(face)
    assert f"{folder}/{place}" in face.fault
    assert MISTAKES[name].says in face.fault


@pytest.mark.parametrize("name", [*MISTAKES, "an import error"])
def test_measuring_names_file_and_line_and_measures_the_rest(name: str, tmp_path: Path, capfd) -> None:
    mistake = MISTAKES.get(name, IMPORT)
    folder, place = make(mistake, tmp_path)
    file = write_wave(tmp_path / "tone.wav", tone(1000.0, -20.0, 1.0, 48_000, 2), None)
    assert main(["measure", "--plugins", str(folder), str(file)]) == 1
    captured = capfd.readouterr()
    said = " ".join((captured.err + captured.out).split())
    assert place in said
    assert mistake.says in said
    assert "Traceback" not in said
    assert "-20.0" in captured.out, "the others measured it"


def test_an_import_error_sets_the_meter_aside_with_its_line(tmp_path: Path) -> None:
    """What the engine tells the window; nothing is imported before it runs."""
    folder, place = make(IMPORT, tmp_path)
    [plugin] = discover([folder], installed=False)
    chain = Chain([GuardedMeter(plugin)], 48_000, 2, whole_mix(2))
    fault = chain.faults["tilt"]
    reason = f"ModuleNotFoundError: No module named 'dsp.core.soss'; {place}"
    assert fault == f"Meter “Tilt” is set aside: it failed in loading ({reason})."


def test_the_check_names_the_line_of_an_import_error(tmp_path: Path, capfd) -> None:
    folder, place = make(IMPORT, tmp_path)
    assert main(["plugins", "check", str(folder)]) == 1
    out = capfd.readouterr().out
    assert f"fail     loading    {place}: It raised ModuleNotFoundError: No module named 'dsp.core.soss'" in out
