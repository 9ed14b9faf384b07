"""The table of DEVELOPERS.md as a test: who may import whom. An allow-list: what no row names is refused.

Also the limits of length: functions to 40 lines, files to 400.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parent.parent
LONGEST_FUNCTION, LONGEST_FILE = 40, 400
SCIENCE = ("numpy", "scipy")
QT = ("PySide6", "shiboken6", "pyqtgraph")

CONTRACT = (
    "meter.plugin.api",
    "meter.plugin.enabled",
    "meter.plugin.folder_package",
    "meter.plugin.host",
    "meter.plugin.manifest",
    "meter.plugin.named_code",
    "meter.plugin.services",
    "meter.plugin.set_aside",
    "meter.plugin.where",
    "meter.toml_lines",
)
"""The modules of meter.plugin without Qt; the base of a face is the one with it."""

FACE_PARTS = (
    "meter.plugin.face",
    "meter.gui.kit.dialog_style",
    "meter.gui.kit.label",
    "meter.gui.kit.points",
    "meter.gui.kit.scale",
    "meter.gui.kit.steady",
    "meter.gui.kit.theme",
    "meter.gui.kit.way",
    "meter.figures",
    "meter.builtin.drift.findings",
    "meter.builtin.listening.face_words",
    "meter.builtin.peaks.face_tags",
    "meter.builtin.low_end.face_blocks",
    "meter.builtin.low_end.face_data",
    "meter.builtin.low_end.face_mix",
    "meter.builtin.low_end.face_shape",
    "meter.builtin.loudness.face_history",
    "meter.builtin.mono_lows.face_judgement",
    "meter.builtin.mono_lows.face_stones",
    "meter.builtin.repeats.face_words",
    "meter.builtin.repeats.findings",
    "meter.builtin.spectrum.face_closer",
    "meter.builtin.stage.face_chain",
    "meter.builtin.stage.face_curves",
    "meter.builtin.stage.face_levels",
    "meter.builtin.stage.face_pane",
    "meter.builtin.stage.face_places",
    "meter.builtin.stage.face_receipt",
    "meter.builtin.stage.face_ruler",
    "meter.builtin.stage.face_steps",
    "meter.builtin.stage.face_words",
    "meter.builtin.stage.findings",
    "meter.builtin.vu.face_alignment",
    "meter.builtin.vu.face_dials",
    "meter.builtin.vu.face_hands",
    "meter.builtin.vu.face_home",
    "meter.builtin.vu.face_words",
    "meter.lane.findings",
    "meter.lane.words",
    "meter.lowend.findings",
    "meter.lowend.words",
    "meter.stage.findings",
    "meter.stage.next_stage",
    "meter.stage.words",
)

# First match wins. Per layer: what may be imported of ours, and which libraries. The standard library is free,
# except for what FORBIDDEN_STANDARD says.
LAYERS: list[tuple[str, tuple[str, ...], tuple[str, ...]]] = [
    ("dsp/", ("dsp",), SCIENCE),
    ("meter/marks.py", (), ("msgspec",)),
    ("meter/instances.py", (), ("msgspec",)),
    ("meter/readings.py", ("meter.instances", "meter.marks"), ("numpy", "msgspec")),
    ("meter/figures.py", (), ()),
    ("meter/children.py", (), ()),
    ("meter/sound_lists.py", (), ("msgspec",)),
    ("meter/whole_file.py", (), ()),
    ("meter/marks_file.py", ("meter.marks", "meter.whole_file"), ("msgspec",)),
    ("meter/feeds.py", ("meter.readings", "meter.toml_lines", "meter.whole_file"), ("numpy", "msgspec")),
    (
        "meter/settings.py",
        ("meter.marks", "meter.readings", "meter.feeds", "meter.instances", "meter.whole_file"),
        ("numpy", "msgspec", "platformdirs"),
    ),
    ("meter/settings_merge.py", ("meter.settings",), ()),
    ("meter/toml_lines.py", (), ()),
    ("meter/preset_files.py", ("meter.toml_lines", "meter.whole_file"), ("msgspec", "presets")),
    ("meter/exposure_rules.py", ("dsp", "meter.preset_files"), ("msgspec",)),
    ("meter/alignments.py", ("meter.preset_files",), ("msgspec",)),
    ("meter/plugin/api.py", ("dsp", "meter.readings"), ("numpy",)),
    ("meter/plugin/face.py", ("meter.gui.kit", "meter.plugin.where", "meter.readings"), ("PySide6",)),
    ("meter/plugin/host.py", ("meter.builtin", *CONTRACT), ()),
    ("meter/plugin/new_meter.py", ("meter.builtin", "meter.readings", *CONTRACT), ()),
    (
        "meter/plugin/kit/",
        (
            "dsp",
            "meter.engine.guard",
            "meter.engine.sanitise",
            "meter.engine.saved_state",
            "meter.feeds",
            "meter.instances",
            "meter.plugin.face",
            "meter.plugin.kit",
            "meter.readings",
            *CONTRACT,
        ),
        ("numpy", "msgspec", "PySide6"),
    ),
    (
        "meter/plugin/",
        ("dsp", "meter.readings", "meter.reference_files", "meter.whole_file", *CONTRACT),
        ("numpy", "msgspec"),
    ),
    ("meter/builtin/*/process.py", ("dsp", "meter.plugin.api"), SCIENCE),
    (
        "meter/builtin/*/face*.py",
        ("meter.marks", "meter.readings", "meter.plugin.api", *FACE_PARTS),
        ("numpy", "msgspec", *QT),
    ),
    (
        "meter/builtin/stage/study.py",
        ("dsp", "meter.plugin.api", "meter.builtin.stage.findings", "meter.stage.findings", "meter.stage.study"),
        SCIENCE,
    ),
    (
        "meter/builtin/repeats/study.py",
        ("dsp", "meter.plugin.api", "meter.builtin.repeats.findings", "meter.stage.study"),
        SCIENCE,
    ),
    (
        "meter/builtin/lane/study.py",
        ("dsp", "meter.lane", "meter.plugin.api", "meter.reference_files"),
        ("numpy",),
    ),
    ("meter/builtin/*/study.py", ("dsp", "meter.plugin.api", "meter.builtin.drift.findings"), SCIENCE),
    ("meter/builtin/stage/findings.py", ("meter.stage.findings",), ("msgspec",)),
    ("meter/builtin/*/findings.py", (), ("msgspec",)),
    ("meter/builtin/", (), ()),
    ("meter/demo/", ("dsp", "meter.demo"), ("numpy", "scipy", "soundfile", "platformdirs")),
    ("meter/references/", ("meter.references",), ("numpy", "av")),
    ("meter/selftest/", ("dsp", "meter.selftest"), SCIENCE),
    (
        "meter/audio/",
        (
            "dsp.core",
            "meter.audio",
            "meter.calibration.noise_levels",
            "meter.children",
            "meter.demo",
            "meter.sound_lists",
        ),
        ("numpy", "msgspec", "sounddevice", "soundfile"),
    ),
    (
        "meter/engine/",
        (
            "dsp",
            "meter.audio",
            "meter.children",
            "meter.engine",
            "meter.figures",
            *CONTRACT,
            "meter.instances",
            "meter.marks",
            "meter.readings",
            "meter.feeds",
            "meter.logbook",
        ),
        ("numpy", "msgspec"),
    ),
    (
        "meter/logbook/",
        ("dsp.exposure.exposure", "dsp.loudness.gating", "meter.readings", "meter.feeds", "meter.logbook"),
        ("numpy", "platformdirs"),
    ),
    (
        "meter/calibration/noise_player.py",
        ("meter.audio", "meter.calibration", "meter.children", "meter.sound_lists"),
        ("numpy",),
    ),
    (
        "meter/calibration/",
        ("dsp", "meter.calibration", "meter.figures", "meter.plugin.api", "meter.readings", "meter.settings"),
        ("numpy", "msgspec", "soundfile"),
    ),
    (
        "meter/gui/marks/",
        (
            "meter.gui",
            "meter.figures",
            "meter.marks",
            "meter.marks_file",
            "meter.readings",
            "meter.settings",
            "meter.stage.findings",
            "meter.stage.span_receipt",
            "meter.stage.words",
        ),
        ("numpy", *QT),
    ),
    (
        "meter/gui/history/",
        (
            "meter.gui",
            "meter.figures",
            "meter.instances",
            "meter.logbook.day_record",
            "meter.logbook.day_totals",
            "meter.logbook.recorded_day",
            "meter.logbook.recorded_days",
            "meter.readings",
        ),
        ("numpy", *QT),
    ),
    (
        "meter/gui/",
        (
            "meter.gui",
            "meter.calibration",
            "meter.figures",
            "meter.instances",
            "meter.marks",
            "meter.readings",
            "meter.reference_files",
            "meter.feeds",
            "meter.preset_files",
            "meter.settings",
            "meter.marks_file",
            "meter.settings_merge",
            "meter.sound_lists",
            "meter.plugin.face",
            "meter.plugin.manifest",
            "meter.plugin.services",
            "meter.plugin.where",
            "meter.toml_lines",
        ),
        ("numpy", "msgspec", *QT),
    ),
    ("meter/lowend/findings.py", (), ("msgspec",)),
    ("meter/lowend/words.py", ("meter.figures", "meter.lowend.findings"), ()),
    ("meter/lowend/", ("dsp", "meter.audio.file", "meter.lowend"), ("numpy", "scipy", "soxr", "msgspec")),
    ("meter/reference_files.py", (), ()),
    ("meter/lane/findings.py", ("meter.stage.findings",), ("msgspec",)),
    ("meter/lane/words.py", ("meter.figures", "meter.lane.findings"), ()),
    (
        "meter/lane/",
        ("dsp", "meter.audio.file", "meter.audio.source", "meter.lane", "meter.reference_files", "meter.whole_file"),
        ("numpy", "msgspec", "platformdirs"),
    ),
    ("meter/stage/findings.py", (), ("msgspec",)),
    ("meter/stage/words.py", ("meter.figures", "meter.stage.findings"), ()),
    ("meter/stage/next_stage.py", ("meter.stage.findings",), ("numpy", "msgspec")),
    (
        "meter/stage/span_receipt.py",
        ("dsp.core.types", "dsp.stage.rest_level", "meter.stage.findings"),
        ("numpy",),
    ),
    (
        "meter/stage/",
        ("dsp", "meter.audio.file", "meter.stage"),
        ("numpy", "msgspec", "soundfile"),
    ),
    (
        "meter/measure.py",
        ("dsp", "meter.audio", "meter.engine", "meter.feeds", "meter.plugin", "meter.readings"),
        ("numpy",),
    ),
    (
        "meter/commands/",
        ("dsp", "meter", "presets"),
        ("numpy", "msgspec", "rich", "soundfile", "sounddevice", "PySide6"),
    ),
    ("meter/app.py", ("meter",), ("numpy", "PySide6")),
    ("meter/cli.py", ("meter",), ()),
    ("meter/__main__.py", ("meter",), ()),
]
FORBIDDEN_STANDARD = {"dsp/": {"threading", "time", "logging", "multiprocessing", "datetime"}}
OUTERMOST = (
    "meter.app",
    "meter.cli",
    "meter.commands",
    "meter.measure",
    "meter.calibration.noise_player",
    "meter.plugin.kit",
    "meter.plugin.new_meter",
)
"""The top of the house: modules below it import none of these."""


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
    """``from meter.gui.kit import scale`` imports a module, ``from meter.readings import Frame`` does not."""
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


def forbidden_imports(path: Path) -> Iterator[str]:
    layer = layer_of(path)
    if layer is None:
        yield f"{path} is in no layer of the table"
        return
    pattern, ours, libraries = layer
    outermost = within(path.with_suffix("").as_posix().replace("/", "."), OUTERMOST) or path.name == "__main__.py"
    for name in imports_of(path):
        top = name.partition(".")[0]
        if top in ("dsp", "meter"):
            allowed = within(name, ours) and (outermost or not within(name, OUTERMOST))
        else:
            allowed = top in sys.stdlib_module_names or within(top, libraries)
        if not allowed or top in FORBIDDEN_STANDARD.get(pattern, set()):
            yield f"{path} may not import {name}"


def too_long(path: Path) -> Iterator[str]:
    text = (ROOT / path).read_text(encoding="utf-8")
    if text.count("\n") > LONGEST_FILE:
        yield f"{path} is longer than {LONGEST_FILE} lines; split it"
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            lines = (node.end_lineno or node.lineno) - node.lineno + 1
            if lines > LONGEST_FUNCTION:
                yield f"{path}: {node.name} has {lines} lines; split it"


def test_imports_stay_in_their_layer() -> None:
    assert len(modules()) > 200
    assert not [fault for path in modules() for fault in forbidden_imports(path)]


def test_functions_and_files_are_short() -> None:
    assert not [fault for path in modules() for fault in too_long(path)]


def test_a_face_does_not_import_its_own_process() -> None:
    for path in (ROOT / "meter" / "builtin").glob("*/face.py"):
        assert not any(".process" in name for name in imports_of(path.relative_to(ROOT)))
