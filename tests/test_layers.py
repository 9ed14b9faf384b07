"""Imports go one way: the table of DEVELOPERS.md as a test."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
STANDARD_ONLY: tuple[str, ...] = ()
SCIENCE = ("numpy", "scipy")
QT = ("PySide6", "pyqtgraph")

FACE_PARTS = (
    "meter.gui.face",
    "meter.gui.label",
    "meter.gui.points",
    "meter.gui.scale",
    "meter.gui.theme",
    "meter.gui.words",
    "meter.builtin.listening.face_words",
    "meter.builtin.low_end.face_blocks",
    "meter.builtin.low_end.face_data",
    "meter.builtin.low_end.face_mix",
    "meter.builtin.low_end.face_shape",
    "meter.builtin.peaks.face_tags",
    "meter.builtin.spectrum.face_closer",
)

# First match wins. Per layer: what may be imported of ours, and which libraries. The standard library is free
# but for what FORBIDDEN_STANDARD says.
LAYERS: list[tuple[str, tuple[str, ...], tuple[str, ...]]] = [
    ("dsp/", ("dsp",), SCIENCE),
    ("meter/readings.py", (), ("numpy", "msgspec")),
    ("meter/children.py", (), ()),
    ("meter/noise_levels.py", (), ()),
    ("meter/feeds.py", ("meter.readings",), ("numpy", "msgspec")),
    ("meter/settings.py", ("meter.readings", "meter.feeds"), ("numpy", "msgspec", "platformdirs")),
    ("meter/settings_merge.py", ("meter.settings",), ()),
    ("meter/exposure_rules.py", ("dsp",), ("msgspec", "presets")),
    ("meter/plugin/api.py", ("dsp", "meter.readings"), ("numpy",)),
    ("meter/plugin/host.py", ("meter.builtin", "meter.plugin"), ()),
    ("meter/plugin/", ("dsp", "meter.readings", "meter.plugin"), ("numpy", "msgspec")),
    ("meter/builtin/*/process.py", ("dsp", "meter.plugin.api"), SCIENCE),
    (
        "meter/builtin/*/face*.py",
        ("meter.readings", "meter.plugin.api", *FACE_PARTS),
        ("numpy", *QT),
    ),
    ("meter/builtin/", (), ()),
    ("meter/demo/", ("dsp", "meter.demo"), ("numpy", "scipy", "soundfile", "platformdirs")),
    ("meter/references/", ("meter.references",), ("numpy", "av")),
    ("meter/selftest/", ("dsp", "meter.selftest"), SCIENCE),
    (
        "meter/audio/",
        ("dsp.types", "dsp.roles", "meter.audio", "meter.children", "meter.demo", "meter.noise_levels"),
        ("numpy", "sounddevice", "soundfile"),
    ),
    (
        "meter/engine/",
        (
            "dsp",
            "meter.audio",
            "meter.children",
            "meter.engine",
            "meter.plugin",
            "meter.readings",
            "meter.feeds",
            "meter.logbook",
        ),
        ("numpy",),
    ),
    ("meter/logbook/", ("dsp.exposure", "meter.readings", "meter.feeds", "meter.logbook"), ("numpy", "platformdirs")),
    ("meter/report/", ("meter.readings", "meter.feeds", "meter.logbook", "meter.report"), ("numpy",)),
    (
        "meter/gui/",
        (
            "meter.gui",
            "meter.readings",
            "meter.feeds",
            "meter.settings",
            "meter.settings_merge",
            "meter.noise_levels",
            "meter.plugin.manifest",
        ),
        ("numpy", "presets", "msgspec", *QT),
    ),
]
FORBIDDEN_STANDARD = {"dsp/": {"threading", "time", "logging", "multiprocessing", "datetime"}}
ANYTHING = (
    "meter/commands/",
    "meter/cli.py",
    "meter/app.py",
    "meter/measure.py",
    "meter/lowend/",
    "meter/calibration_noise.py",
    "meter/noise_player.py",
    "meter/__main__.py",
)
NOBODY_IMPORTS = ("meter.app", "meter.cli", "meter.commands", "meter.measure", "meter.lowend", "meter.noise_player")


def modules() -> list[Path]:
    return sorted(path.relative_to(ROOT) for top in ("dsp", "meter") for path in (ROOT / top).rglob("*.py"))


def imports_of(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse((ROOT / path).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path} imports relatively; write the full name"
            found |= {whole_name(node.module or "", alias.name) for alias in node.names}
    return found


def whole_name(module: str, name: str) -> str:
    """``from meter.gui import words`` imports a module, ``from meter.readings import Frame`` does not."""
    inner = ROOT / module.replace(".", "/") / name
    return f"{module}.{name}" if inner.with_suffix(".py").is_file() or inner.is_dir() else module


def layer_of(path: Path) -> tuple[str, tuple[str, ...], tuple[str, ...]] | None:
    name = path.as_posix()
    if name in ("meter/__init__.py",):
        return (name, (), ())
    for pattern, ours, libraries in LAYERS:
        if name.startswith(pattern) or path.match(pattern):
            return pattern, ours, libraries
    return None


def within(name: str, allowed: tuple[str, ...]) -> bool:
    return any(name == item or name.startswith(f"{item}.") for item in allowed)


@pytest.mark.parametrize("path", modules(), ids=str)
def test_imports_stay_in_their_layer(path: Path) -> None:
    if path.as_posix().startswith(ANYTHING):
        return
    layer = layer_of(path)
    assert layer is not None, f"{path} lies in no layer of the table"
    pattern, ours, libraries = layer
    for name in imports_of(path):
        top = name.partition(".")[0]
        if top in ("dsp", "meter"):
            assert within(name, ours), f"{path} may not import {name}"
            assert not within(name, NOBODY_IMPORTS)
        elif top in (
            "numpy",
            "scipy",
            "sounddevice",
            "soundfile",
            "msgspec",
            "platformdirs",
            "presets",
            "rich",
            "av",
            *QT,
        ):
            assert within(top, libraries), f"{path} may not import {name}"
        assert top not in FORBIDDEN_STANDARD.get(pattern, set()), f"{path} may not import {name}"


def test_a_face_does_not_import_its_own_process() -> None:
    for path in (ROOT / "meter" / "builtin").glob("*/face.py"):
        assert not any(".process" in name for name in imports_of(path.relative_to(ROOT)))
