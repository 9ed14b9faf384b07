"""Meters of the window: those with a card, those by others for the menu, and faces that are left out."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import msgspec

from meter.alignments import Alignment
from meter.commands.errors import CommandError
from meter.commands.meters import changed_sentence, enabled_path, enabling_command
from meter.commands.plugins import disable, enable, find_foreign
from meter.engine.forbidden_calls import ForbiddenCalls
from meter.engine.guests import Guests
from meter.gui.engine_link import Foreign, MeterEntry, Offered, OtherMeter
from meter.gui.kit.face_marker import keys_of_ended_windows
from meter.plugin.enabled import NOTHING_ENABLED, Enabled, EnabledError, Identity, read_enabled, write_enabled
from meter.plugin.host import Plugin, discover, load_object, usable
from meter.plugin.manifest import Manifest, SettingEntry


def meter_entries(
    folders: Sequence[Path], enabled: Enabled = NOTHING_ENABLED, alignments: Sequence[Alignment] = ()
) -> tuple[MeterEntry, ...]:
    """Every meter that may run, and with a reason those that were refused, changed or left out."""
    entries = []
    for plugin in discover(folders, enabled=enabled):
        trouble = plugin.refusal or changed_sentence(plugin, enabled)
        wanted = plugin.enabled or (plugin.identity is not None and enabled.knows(plugin.identity))
        if wanted:
            entries.append(replace(_entry(plugin, trouble, enabled), offered=offered(plugin.manifest, alignments)))
    return tuple(entries)


def other_meters(folders: Sequence[Path]) -> list[OtherMeter]:
    """Meters by others found now, for the window's menu."""
    enabled, _sentence = read_enabled(enabled_path())
    named = {os.path.realpath(folder) for folder in folders}
    return [
        OtherMeter(
            key=plugin.package or plugin.identity.folder,
            name=plugin.manifest.name,
            version=plugin.identity.version,
            origin=plugin.origin,
            folder=str(plugin.folder),
            enabled=enabled.allows(plugin.identity),
            for_this_run=plugin.identity.folder in named,
        )
        for plugin in discover(folders, enabled=enabled)
        if plugin.manifest is not None and plugin.identity is not None and not plugin.refusal
    ]


def enable_other(key: str, wanted: bool) -> str:
    """Enable or disable a meter by others; returns the sentence to show."""
    enabled, _sentence = read_enabled(enabled_path())
    try:
        plugin = find_foreign(key, enabled)
        return enable(plugin, enabled) if wanted else disable(plugin, enabled)
    except CommandError as error:
        return str(error)


def refuse_forbidden_calls(folders: Sequence[Path], enabled: Enabled) -> None:
    """From now on code of these meters by others cannot end, fork or replace this process by a call of Python."""
    guests = Guests.among(usable(discover(folders, enabled=enabled)))
    if guests:
        ForbiddenCalls(guests).install()


def leave_out_faces(folder: Path) -> tuple[Enabled, str]:
    """Return the enabled meters without the faces that froze or ended a window, and a sentence.

    ``folder`` holds the marks that windows left.
    """
    enabled, sentence = read_enabled(enabled_path())
    said = [sentence] if sentence else []
    for key in keys_of_ended_windows(folder):
        try:
            identity = msgspec.json.decode(key, type=Identity)
        except msgspec.DecodeError:
            continue
        why = "it was running when a window froze or ended"
        enabled = enabled.without_face(identity, why)
        try:
            write_enabled(enabled, enabled_path())
        except EnabledError as error:
            said.append(str(error))
    return enabled, " ".join(said)


def _entry(plugin: Plugin, trouble: str, enabled: Enabled) -> MeterEntry:
    manifest = plugin.manifest
    if manifest is None:
        return MeterEntry(plugin.id, plugin.id, trouble=trouble)
    fault = enabled.face_fault(plugin.identity) if plugin.identity is not None else ""
    views = {} if fault else manifest.views
    if fault and not trouble:
        trouble = f"Its view is left out: {fault}. Run “{enabling_command(plugin)}” to try it again."
    return MeterEntry(
        meter_id=manifest.id,
        name=manifest.name,
        summary=manifest.summary,
        load_face=partial(load_object, plugin, manifest.face) if manifest.face and not fault else None,
        settings=tuple(manifest.setting),
        trouble=trouble,
        views={name: partial(load_object, plugin, dotted) for name, dotted in views.items()},
        titles={view: manifest.title_of(view) for view in ("", *views)},
        on_pages=manifest.on_pages,
        foreign=_foreign(plugin),
        services=() if trouble else manifest.services,
        feed=manifest.feed,
        single=manifest.why_single,
    )


def offered(manifest: Manifest | None, alignments: Sequence[Alignment]) -> dict[str, Offered]:
    """By setting what presets offer for it: the alignments that its bounds allow."""
    wanting = [entry for entry in manifest.setting if entry.presets] if manifest else []
    return {
        entry.key: tuple((each.name, each.level_dbfs) for each in alignments if _allows(entry, each.level_dbfs))
        for entry in wanting
    }


def _allows(entry: SettingEntry, value: float) -> bool:
    try:
        entry.check(value)
    except ValueError:
        return False
    return True


def _foreign(plugin: Plugin) -> Foreign | None:
    if plugin.ours or plugin.identity is None:
        return None
    folder = str(plugin.folder) if plugin.package else plugin.identity.folder
    return Foreign(msgspec.json.encode(plugin.identity).decode(), folder.rstrip(os.sep) + os.sep)
