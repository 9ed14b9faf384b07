"""List the presets: page layouts, exposure rules, alignments; keep one of your own, copy one out, check files."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from meter.commands.errors import FAILED
from meter.commands.preset_store import all_presets, checked, keep, preset_named, write_copy
from meter.commands.terminal import visible
from meter.preset_files import Preset, PresetError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What to do, with which presets or files; without a word they are listed."""
    parser.add_argument("--json", action="store_true", help="one object per line")
    actions = parser.add_subparsers(dest="action", metavar="list|check|import|export")
    listed = actions.add_parser("list", help="what there is, ours and yours (the default)")
    listed.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help="one object per line")
    check = actions.add_parser("check", help="can these files be used")
    check.add_argument("files", nargs="+", type=Path, metavar="FILE")
    keep_own = actions.add_parser("import", help="keep a copy as one of your own")
    keep_own.add_argument("files", nargs="+", type=Path, metavar="FILE")
    keep_own.add_argument("--replace", action="store_true", help="also in the place of one of yours")
    export = actions.add_parser("export", help="print a preset, or write it into a new file")
    export.add_argument("name", metavar="NAME")
    export.add_argument("file", nargs="?", type=Path, metavar="FILE")


def run(arguments: argparse.Namespace) -> int:
    """Do one of ``ACTIONS``. Raises CommandError."""
    return ACTIONS[arguments.action or "list"](arguments)


def _run_list(arguments: argparse.Namespace) -> int:
    presets, sentences = all_presets()
    for name, preset in presets.items():
        print(json.dumps(_plain(name, preset)) if arguments.json else visible(_line(name, preset)))
    for sentence in sentences:
        print(visible(sentence), file=sys.stderr)
    return FAILED if sentences else 0


def _run_check(arguments: argparse.Namespace) -> int:
    failed = False
    for path in arguments.files:
        try:
            kind, _text, content = checked(path)
        except PresetError as error:
            failed = True
            print(visible(str(error)), file=sys.stderr)
        else:
            print(visible(f"{path}: a valid {kind.title}, “{content.name}”"))
    return FAILED if failed else 0


def _run_import(arguments: argparse.Namespace) -> int:
    for path in arguments.files:
        print(visible(keep(path, replace=arguments.replace)))
    return 0


def _run_export(arguments: argparse.Namespace) -> int:
    preset = preset_named(arguments.name)
    if arguments.file is None:
        print(preset.path.read_text(encoding="utf-8"), end="")
        return 0
    print(visible(f"The preset {arguments.name} is in {write_copy(preset, arguments.file)}."))
    return 0


ACTIONS: dict[str, Callable[[argparse.Namespace], int]] = {
    "list": _run_list,
    "check": _run_check,
    "import": _run_import,
    "export": _run_export,
}


def _origin(preset: Preset[Any]) -> str:
    if not preset.own:
        return "comes with the program"
    return "yours, in the place of the program's own" if preset.covers else "yours"


def _line(name: str, preset: Preset[Any]) -> str:
    where = f": {preset.path}" if preset.own else ""
    return f"{name:44} {preset.content.name} ({_origin(preset)}{where})"


def _plain(name: str, preset: Preset[Any]) -> dict[str, Any]:
    return {
        "preset": name,
        "name": preset.content.name,
        "yours": preset.own,
        "covers": preset.covers,
        "file": str(preset.path),
    }
