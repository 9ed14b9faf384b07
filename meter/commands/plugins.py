"""List the meters that are found, and those refused with the reason."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from meter.plugin.host import Plugin, discover


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The form of the answer, and folders to look into as well."""
    parser.add_argument("--json", action="store_true", help="one object per line")
    parser.add_argument(
        "--plugins", type=Path, action="append", default=[], metavar="FOLDER", help="also this folder"
    )


def run(arguments: argparse.Namespace) -> int:
    """Print what discovery says; imports nothing of any meter."""
    for plugin in discover(arguments.plugins):
        print(json.dumps(_plain(plugin)) if arguments.json else _line(plugin))
    return 0


def _plain(plugin: Plugin) -> dict[str, Any]:
    manifest = plugin.manifest
    return {
        "id": plugin.id,
        "name": manifest.name if manifest else None,
        "version": manifest.version if manifest else None,
        "contract": manifest.contract if manifest else None,
        "origin": plugin.origin,
        "usable": plugin.usable,
        "refusal": plugin.refusal or None,
        "readings": [f"{plugin.id}.{entry.key}" for entry in manifest.field] if manifest else [],
    }


def _line(plugin: Plugin) -> str:
    if plugin.manifest is None or plugin.refusal:
        return f"{plugin.id:12} refused: {plugin.refusal}"
    return f"{plugin.id:12} {plugin.manifest.version:8} {plugin.manifest.summary} ({plugin.origin})"
