"""Options that several commands share: folders of meters, and numbers."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from meter.commands.errors import CommandError
from meter.plugin.host import Plugin, discover, usable


def named_meters(folders: Sequence[Path]) -> list[Plugin]:
    """Every usable meter; raises CommandError with the reason when one in these folders is refused."""
    plugins = discover(folders)
    for plugin in plugins:
        if plugin.folder in folders and not plugin.usable:
            raise CommandError(plugin.refusal)
    return usable(plugins)


def one_or_more(text: str) -> int:
    """A whole number from 1 up, for ``type=``; raises ArgumentTypeError."""
    try:
        number = int(text)
    except ValueError:
        number = 0
    if number < 1:
        raise argparse.ArgumentTypeError(f"“{text}” is not a whole number from 1 up")
    return number
