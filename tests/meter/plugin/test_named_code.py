"""A manifest that names code which is not there is refused with file and line, before any of it runs."""

from __future__ import annotations

from pathlib import Path

import pytest

from meter.plugin.enabled import NOTHING_ENABLED
from meter.plugin.host import discover
from tests.support.handbook_meter import write_handbook_meter


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_handbook_meter(tmp_path / "tilt")


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")


def refusal(folder: Path) -> str:
    [plugin] = discover([folder], installed=False)
    return plugin.refusal


def test_the_right_meter_is_not_refused(folder: Path) -> None:
    assert refusal(folder) == ""


@pytest.mark.parametrize(
    ("file", "old", "new", "says"),
    [
        ("manifest.toml", "process:Tilt", "process:Tlit", "manifest.toml, line 5: process.py has no “Tlit”;"),
        ("manifest.toml", "face:Tilt", "faces:Tilt", "manifest.toml, line 6: “faces:TiltFace” names faces.py, which"),
        ("process.py", "class Tilt:", "class Tilt", "process.py, line 9: SyntaxError: expected ':';"),
        ("face.py", "        super()", "       super()", "face.py, line 13: IndentationError: unexpected indent;"),
        ("process.py", "class Tilt:", "class Slope:", "manifest.toml, line 5: process.py has no “Tilt”;"),
    ],
)
def test_a_wrong_name_or_file_is_refused_with_its_line(
    folder: Path, file: str, old: str, new: str, says: str
) -> None:
    change(folder / file, old, new)
    sentence = refusal(folder)
    assert sentence.startswith(f"{folder}/")
    assert says in sentence
    assert sentence.endswith(".")


@pytest.mark.parametrize(
    "binding",
    [
        "class Tilt: ...", "Tilt = object", "from collections import OrderedDict as Tilt", "import os as Tilt",
        "try:\n    import gone as Tilt\nexcept ImportError:\n    Tilt = None", "from os.path import *",
        "def __getattr__(name): ...", "if True:\n    class Tilt: ...", "exec('Tilt = 1')", "Tilt: type = object",
    ],
)  # fmt: skip
def test_however_the_name_is_bound_it_is_found(folder: Path, binding: str) -> None:
    (folder / "process.py").write_text(binding, encoding="utf-8")
    assert refusal(folder) == ""


@pytest.mark.parametrize("data", [b"\x00", b"\xff\xfe", b"(" * 5000, b"x = " + b"-" * 50_000 + b"1"])
def test_what_is_no_python_is_refused_in_a_sentence(folder: Path, data: bytes) -> None:
    (folder / "process.py").write_bytes(data)
    assert str(folder / "process.py") in refusal(folder)


def test_the_name_in_a_function_is_not_enough(folder: Path) -> None:
    (folder / "process.py").write_text("def make():\n    class Tilt: ...\n", encoding="utf-8")
    assert "has no “Tilt”" in refusal(folder)


def test_a_module_in_a_folder_below_is_found(folder: Path) -> None:
    (folder / "inner").mkdir()
    (folder / "process.py").rename(folder / "inner" / "tilting.py")
    change(folder / "manifest.toml", "process:Tilt", "inner.tilting:Tilt")
    assert refusal(folder) == ""


def test_a_meter_that_may_not_run_is_not_read(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "process.py").write_text("class", encoding="utf-8")
    monkeypatch.setattr("meter.plugin.host.named_code_fault", lambda *_words: "read")
    from meter.plugin import host

    plugin = host._judged(host._from_folder(folder), NOTHING_ENABLED)
    assert host._looked_up(plugin).refusal == ""
    assert refusal(folder) == "read"
