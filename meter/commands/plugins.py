"""List the meters that are found; enable or disable meters by others; check one; write a new one."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from meter.audio.file import is_file
from meter.commands.errors import CommandError
from meter.commands.meters import changed_sentence, enabled_meters, enabled_path, enabling_command
from meter.commands.terminal import visible
from meter.plugin.enabled import Enabled, EnabledError, write_enabled
from meter.plugin.host import Plugin, discover
from meter.plugin.manifest import MANIFEST_NAME

FAILED = 1


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What to do, the form of the answer, and folders to look into as well."""
    parser.add_argument(
        "action", nargs="?", default="list", choices=tuple(ACTIONS),
        help="default: list. enable and disable: may a meter by others run. check: does a meter keep the contract; "
        "runs its code. new: write a working meter to start from",
    )  # fmt: skip
    parser.add_argument(
        "what", nargs="?", metavar="NAME|FOLDER", help="id or package of an installed meter, or a meter's folder"
    )
    parser.add_argument("--json", action="store_true", help="list and check: one object per line")
    parser.add_argument(
        "--plugins", type=Path, action="append", default=[], metavar="FOLDER", help="list: also this folder"
    )
    parser.add_argument(
        "--in", dest="place", type=Path, default=Path(), metavar="FOLDER", help="new: where its folder is made"
    )


def run(arguments: argparse.Namespace) -> int:
    """Do one of ``ACTIONS``. Only "check" imports a meter, in a process of its own. Raises CommandError."""
    return ACTIONS[arguments.action](arguments)


def _run_list(arguments: argparse.Namespace) -> int:
    if arguments.what is not None:
        raise CommandError(f"“list” takes no name; use “earwitness plugins enable {arguments.what}”.")
    enabled = enabled_meters()
    for plugin in discover(arguments.plugins, enabled=enabled):
        print(json.dumps(_plain(plugin, enabled)) if arguments.json else visible(_line(plugin, enabled)))
    return 0


def _run_enable(arguments: argparse.Namespace) -> int:
    enabled = enabled_meters()
    print(visible(enable(find_foreign(_named(arguments), enabled), enabled)))
    return 0


def _run_disable(arguments: argparse.Namespace) -> int:
    enabled = enabled_meters()
    print(visible(disable(find_foreign(_named(arguments), enabled), enabled)))
    return 0


def _run_check(arguments: argparse.Namespace) -> int:
    from meter.commands.plugin_check import checked_apart

    plugin = find_any(_named(arguments))
    failed = 0
    for outcome in checked_apart(plugin):
        failed += outcome.failed
        line = json.dumps({"meter": plugin.id, **asdict(outcome)}) if arguments.json else visible(str(outcome))
        print(line, flush=True)
    return FAILED if failed else 0


def _run_new(arguments: argparse.Namespace) -> int:
    from meter.plugin.new_meter import NewMeterError, write_new_meter

    try:
        folder = write_new_meter(_named(arguments), arguments.place)
    except NewMeterError as error:
        raise CommandError(str(error), error.exit_code) from error
    print(visible(f"A meter is in {folder}; change it, and run “earwitness plugins check {folder}”."))
    return 0


ACTIONS: dict[str, Callable[[argparse.Namespace], int]] = {
    "list": _run_list,
    "enable": _run_enable,
    "disable": _run_disable,
    "check": _run_check,
    "new": _run_new,
}


def _named(arguments: argparse.Namespace) -> str:
    if arguments.what is None:
        wanted = "a name" if arguments.action == "new" else "the name of an installed meter or a meter's folder"
        raise CommandError(f"“{arguments.action}” needs {wanted}.")
    return str(arguments.what)


def find_any(what: str) -> Plugin:
    """The meter that a folder, an id or a package stands for, ours included; raises CommandError for none."""
    folder = Path(what).parent if Path(what).name == MANIFEST_NAME else Path(what)
    if is_file(folder / MANIFEST_NAME):
        return discover([folder], installed=False)[0]
    named = [plugin for plugin in discover() if what in (plugin.id, plugin.package)]
    if not named:
        raise CommandError(f"“{what}” is neither an installed meter nor a folder with {MANIFEST_NAME}.")
    return named[0]


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
    return f"{which} is enabled: its code in {plugin.folder} runs with your rights from the next start on."


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


def _plain(plugin: Plugin, enabled: Enabled) -> dict[str, Any]:
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
        "set_aside": (enabled.why_set_aside(plugin.identity) if plugin.identity is not None else "") or None,
        "readings": [f"{plugin.id}.{entry.key}" for entry in manifest.field] if manifest else [],
    }


def _line(plugin: Plugin, enabled: Enabled) -> str:
    if plugin.manifest is None or plugin.refusal:
        return f"{plugin.id:12} refused: {plugin.refusal}"
    if sentence := changed_sentence(plugin, enabled):
        return f"{plugin.id:12} not enabled: {sentence}"
    if plugin.identity is not None and (why := enabled.why_set_aside(plugin.identity)):
        return f"{plugin.id:12} set aside: {why} Run “{enabling_command(plugin)}” to try it again."
    if not plugin.enabled:
        place = f"{plugin.origin}, {plugin.folder}" if plugin.package else plugin.origin
        return f"{plugin.id:12} not enabled: run “{enabling_command(plugin)}” if its code may run ({place})"
    return f"{plugin.id:12} {plugin.manifest.version:8} {plugin.manifest.summary} ({plugin.origin})"
