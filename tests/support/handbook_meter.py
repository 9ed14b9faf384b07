"""The meter that DEVELOPERS.md shows, taken from its text."""

from __future__ import annotations

import re
from pathlib import Path

HANDBOOK = Path(__file__).parents[2] / "DEVELOPERS.md"
FILES = ("manifest.toml", "process.py", "face.py")


def handbook_files() -> dict[str, str]:
    """The fenced block that follows the name of each file at the beginning of a line."""
    text = HANDBOOK.read_text(encoding="utf-8").partition("## A meter of your own")[2]
    found = {}
    for file in FILES:
        match = re.search(rf"^`{re.escape(file)}`.*?^```\w+\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
        assert match is not None, file
        found[file] = match[1]
    return found


def write_handbook_meter(folder: Path) -> Path:
    """Its files in a folder; returns the folder."""
    folder.mkdir()
    for file, text in handbook_files().items():
        (folder / file).write_text(text, encoding="utf-8")
    return folder
