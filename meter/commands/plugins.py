"""List the meters that are found; enable meters by others, whose code does not run before, or disable them."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from meter.commands.errors import CommandError
from meter.commands.meters import changed_sentence, enabled_meters, enabled_path, enabling_command
from meter.commands.terminal import visible
from meter.plugin.enabled import Enabled, EnabledError, write_enabled
from meter.plugin.host import Plugin, discover

FAILED = 1
LIST, ENABLE, DISABLE = "list", "enable", "disable"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What to do, the form of the answer, and folders to look into as well."""
    parser.add_argument("action", nargs="?", default=LIST, choices=(LIST, ENABLE, DISABLE), help="default: list")
    parser.add_argument(
        "what", nargs="?", metavar="NAME|FOLDER", help="id or package of an installed meter, or a meter's folder"
    )
    parser.add_argument("--json", action="store_true", help="one object per line")
    parser.add_argument(
        "--plugins", type=Path, action="append", default=[], metavar="FOLDER", help="also this folder"
    )


def run(arguments: argparse.Namespace) -> int:
    """List, enable or disable; imports nothing of any meter."""
    enabled = enabled_meters()
    if arguments.action == LIST:
        if arguments.what is not None:
            raise CommandError(f"“list” takes no name; use “earwitness plugins enable {arguments.what}”.")
        for plugin in discover(arguments.plugins, enabled=enabled):
            print(json.dumps(_plain(plugin)) if arguments.json else visible(_line(plugin, enabled)))
        return 0
    if arguments.what is None:
        raise CommandError(f"“{arguments.action}” needs the name of an installed meter or a meter's folder.")
    plugin = find_foreign(arguments.what, enabled)
    if arguments.action == ENABLE:
        print(visible(enable(plugin, enabled)))
    else:
        print(visible(disable(plugin, enabled)))
    return 0


def find_foreign(what: str, enabled: Enabled) -> Plugin:
    """The meter by others that an id, a package or a folder stands for; raises CommandError."""
    found = discover(enabled=enabled)
    named = [plugin for plugin in found if what in (plugin.id, plugin.package)]
    foreign = [plugin for plugin in named if not plugin.ours]
    if len(foreign) > 1:
        choices = ", ".join(plugin.package or str(plugin.folder) for plugin in foreign)
        raise CommandError(f"“{what}” may be {choices}; name one of these.")
    if foreign and not Path(what).is_dir():
        return foreign[0]
    if not foreign and named:
        raise CommandError(f"“{what}” is a meter of this program; it needs no enabling.")
    [*_, plugin] = discover([Path(what)], enabled=enabled, installed=False)
    if not Path(what).is_dir() and (plugin.identity is None or not enabled.knows(plugin.identity)):
        raise CommandError(f"“{what}” is neither an installed meter nor a folder; see “earwitness plugins”.")
    return plugin


def enable(plugin: Plugin, enabled: Enabled) -> str:
    """Let this version run from now on; returns a sentence. Raises CommandError when it is refused."""
    if plugin.manifest is None or plugin.identity is None or plugin.refusal:
        raise CommandError(plugin.refusal)
    taken = [other for other in discover() if other.ours and other.id == plugin.id]
    if taken:
        raise CommandError(f"The id “{plugin.id}” is taken by a meter of this program; give this meter another id.")
    _write(enabled.with_meter(plugin.identity))
    which = f"Meter “{plugin.id}” version {plugin.identity.version} of {plugin.origin}"
    return f"{which} is enabled: its code runs with your rights from the next start on."


def disable(plugin: Plugin, enabled: Enabled) -> str:
    """Let no version of it run any more; returns a sentence."""
    if plugin.identity is None or not enabled.knows(plugin.identity):
        return f"Meter “{plugin.id}” of {plugin.origin} was not enabled."
    _write(enabled.without(plugin.identity))
    return f"Meter “{plugin.id}” of {plugin.origin} is disabled: its code does not run from the next start on."


def _write(enabled: Enabled) -> None:
    try:
        write_enabled(enabled, enabled_path())
    except EnabledError as error:
        raise CommandError(str(error), FAILED) from error


def _plain(plugin: Plugin) -> dict[str, Any]:
    manifest = plugin.manifest
    return {
        "id": plugin.id,
        "name": manifest.name if manifest else None,
        "version": manifest.version if manifest else None,
        "contract": manifest.contract if manifest else None,
        "origin": plugin.origin,
        "ours": plugin.ours,
        "enabled": plugin.enabled,
        "usable": plugin.usable,
        "refusal": plugin.refusal or None,
        "readings": [f"{plugin.id}.{entry.key}" for entry in manifest.field] if manifest else [],
    }


def _line(plugin: Plugin, enabled: Enabled) -> str:
    if plugin.manifest is None or plugin.refusal:
        return f"{plugin.id:12} refused: {plugin.refusal}"
    if sentence := changed_sentence(plugin, enabled):
        return f"{plugin.id:12} not enabled: {sentence}"
    if not plugin.enabled:
        return f"{plugin.id:12} not enabled: run “{enabling_command(plugin)}” if its code may run ({plugin.origin})"
    return f"{plugin.id:12} {plugin.manifest.version:8} {plugin.manifest.summary} ({plugin.origin})"
