"""Meters of a command: ours, those the user enabled, and those of folders named on the command line."""

from __future__ import annotations

import argparse
import shlex
import sys
from collections.abc import Sequence
from pathlib import Path

from meter.audio.file import is_file
from meter.commands.errors import CommandError
from meter.commands.terminal import visible
from meter.plugin.enabled import FILE_NAME, Enabled, read_enabled
from meter.plugin.host import Plugin, discover, usable
from meter.plugin.manifest import MANIFEST_NAME
from meter.settings import settings_path


def enabled_path() -> Path:
    """Path of the file with the enabled meters by others."""
    return settings_path().with_name(FILE_NAME)


def enabled_meters() -> Enabled:
    """Meters that the user enabled; prints a sentence to standard error for an unusable file."""
    enabled, sentence = read_enabled(enabled_path())
    if sentence:
        print(visible(sentence), file=sys.stderr)
    return enabled


def changed_sentence(plugin: Plugin, enabled: Enabled) -> str:
    """One sentence if a meter changed since it was enabled, so does not run; otherwise empty."""
    if plugin.enabled or plugin.manifest is None or plugin.identity is None or not enabled.knows(plugin.identity):
        return ""
    changed = f"Meter “{plugin.id}” of {plugin.origin} is now version {plugin.identity.version}, which is not enabled"
    return f"{changed}; run “{enabling_command(plugin)}” if it may run."


def enabling_command(plugin: Plugin) -> str:
    """The command line that enables this meter."""
    folder = plugin.identity.folder if plugin.identity is not None else str(plugin.folder)
    return f"earwitness plugins enable {plugin.package or shlex.quote(folder)}"


def named_meters(folders: Sequence[Path], enabled: Enabled | None = None) -> list[Plugin]:
    """Return every usable meter; raises CommandError with the reason when one in these folders is refused.

    Naming a folder on the command line lets its meter run, for that run.
    """
    plugins, refused = asked_meters(folders, enabled)
    if refused:
        raise CommandError(refused[0])
    return plugins


def asked_meters(folders: Sequence[Path], enabled: Enabled | None = None) -> tuple[list[Plugin], list[str]]:
    """Return every usable meter, and one sentence for each meter in these folders that is refused.

    Raises CommandError for a folder without a manifest: that is a wrong name, not a meter that fails.
    """
    enabled = enabled_meters() if enabled is None else enabled
    plugins = discover(folders, enabled=enabled)
    refused = [plugin for plugin in plugins if plugin.folder in folders and not plugin.usable]
    for plugin in refused:
        if not is_file(plugin.folder / MANIFEST_NAME):
            raise CommandError(plugin.refusal)
    for plugin in plugins:
        if plugin not in refused and (sentence := changed_sentence(plugin, enabled)):
            print(visible(sentence), file=sys.stderr)
    return usable(plugins), [f"Meter “{plugin.id}” is left out: {plugin.refusal}" for plugin in refused]


def one_or_more(text: str) -> int:
    """Convert to a whole number from 1 up, for ``type=``; raises ArgumentTypeError."""
    try:
        number = int(text)
    except ValueError:
        number = 0
    if number < 1:
        raise argparse.ArgumentTypeError(f"“{text}” is not a whole number from 1 up")
    return number
