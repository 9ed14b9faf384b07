"""The host: finds meters, refuses what it cannot serve, loads what is wanted. Every outcome is a record.

Ours are those that ``meter.builtin`` lists; no name or entry point makes another meter ours. Meters by others come
from the entry point group ``earwitness.meters`` (the dotted name of a package that holds ``manifest.toml``) and from
folders. They run only where the user enabled this very version, or named the folder on the command line. Discovery
imports nothing of a meter.
"""

from __future__ import annotations

import importlib
import importlib.util
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any, cast

from meter.builtin import OURS
from meter.plugin.api import Processor
from meter.plugin.enabled import NOTHING_ENABLED, Enabled, Identity
from meter.plugin.folder_package import import_from_folder
from meter.plugin.manifest import MANIFEST_NAME, Manifest, ManifestError, is_dotted_name, read_manifest
from meter.plugin.named_code import named_code_fault

GROUP = "earwitness.meters"
OUR_PACKAGE = "meter.builtin"
BUILTIN = Path(__file__).parents[1] / "builtin"


@dataclass(frozen=True)
class Plugin:
    """One discovered meter, or one that was refused.

    ``origin`` says where it came from in words; ``folder`` holds its manifest; ``package`` is the dotted
    package of an installed meter, empty for one from a plain folder. ``refusal`` is one sentence, or empty.
    ``ours`` is true for a meter of this program, which needs no watching; ``enabled`` for one that may run.
    ``identity`` is what an enabling is remembered by, None for ours and without a manifest.
    """

    origin: str
    folder: Path
    package: str
    manifest: Manifest | None
    refusal: str = ""
    ours: bool = False
    enabled: bool = False
    identity: Identity | None = None

    @property
    def usable(self) -> bool:
        """True when the host may load it."""
        return self.manifest is not None and not self.refusal and self.enabled

    @property
    def services(self) -> tuple[str, ...]:
        """The services that its manifest asks for."""
        return self.manifest.services if self.manifest else ()

    @property
    def id(self) -> str:
        """The manifest's id, or the folder's name where there is no manifest."""
        return self.manifest.id if self.manifest else self.folder.name


def discover(
    folders: Sequence[Path] = (), *, enabled: Enabled = NOTHING_ENABLED, installed: bool = True
) -> list[Plugin]:
    """All meters that can be seen, ours first; refused ones and those not enabled are in the list.

    ``folders`` were named for this run, so their meters may run; others need to be in ``enabled``. Without
    ``installed`` only ``folders`` are looked at.
    """
    found = [_ours(name) for name in OURS] if installed else []
    named = {os.path.realpath(folder): folder for folder in folders}
    found += [replace(_from_folder(folder), enabled=True) for folder in named.values()]
    if installed:
        others = [_from_entry_point(entry) for entry in _entries()]
        others += [_from_folder(folder) for folder in enabled.folders() if str(folder) not in named]
        found += sorted((_judged(plugin, enabled) for plugin in others), key=lambda plugin: not plugin.enabled)
    return _refuse_doubles([_looked_up(plugin) for plugin in found])


def usable(plugins: Iterable[Plugin]) -> list[Plugin]:
    """Only those that may be loaded."""
    return [plugin for plugin in plugins if plugin.usable]


def load_processor(plugin: Plugin) -> Processor:
    """Import the meter's processor and make one; raises whatever its author's code raises."""
    assert plugin.manifest is not None
    return cast(Processor, load_object(plugin, plugin.manifest.processor)())


def load_object(plugin: Plugin, dotted: str) -> Any:
    """The object that ``"module:Name"`` of this plugin's manifest stands for."""
    module_name, _, name = dotted.partition(":")
    if plugin.package:
        module = importlib.import_module(module_name)
    else:
        module = import_from_folder(plugin.folder, module_name)
    try:
        return getattr(module, name)
    except AttributeError:
        raise ImportError(f"{module_name} has no {name}.") from None


def _ours(name: str) -> Plugin:
    """A meter of the list, found inside our own package."""
    package = f"{OUR_PACKAGE}.{name}"
    plugin = _read("Earwitness itself", BUILTIN / name, package)
    return replace(plugin, ours=True, enabled=True, identity=None)


def _entries() -> list[EntryPoint]:
    """Entry points of others. Ours come from the list; an older installation of this program still declares them."""
    ours = {f"{OUR_PACKAGE}.{name}" for name in OURS}
    return [entry for entry in entry_points(group=GROUP) if entry.value not in ours]


def _from_entry_point(entry: EntryPoint) -> Plugin:
    package = entry.value
    origin = f"installed package {package}"
    if not is_dotted_name(package):
        reason = f"The entry point “{entry.name}” is {package!r}; it must be the dotted name of a package."
        return Plugin(origin, Path(entry.name), package, None, reason)
    folder = _package_folder(package)
    if folder is None:
        gone = Path(package.replace(".", "/"))
        return Plugin(origin, gone, package, None, f"The package {package} cannot be found; reinstall it.")
    plugin = _read(origin, folder, package)
    if plugin.identity is None or entry.dist is None:
        return plugin
    version = f"{plugin.identity.version} ({entry.dist.name} {entry.dist.version})"
    return replace(plugin, identity=Identity(plugin.identity.folder, version, package))


def _judged(plugin: Plugin, enabled: Enabled) -> Plugin:
    return replace(plugin, enabled=plugin.identity is not None and enabled.allows(plugin.identity))


def _package_folder(package: str) -> Path | None:
    """Folder of a dotted package, found without importing the package itself."""
    top, *rest = package.split(".")
    try:
        spec = importlib.util.find_spec(top)
    except (ImportError, ValueError):
        return None
    if spec is None:
        return None
    for place in spec.submodule_search_locations or ():
        folder = Path(place, *rest)
        if folder.is_dir():
            return folder
    return None


def _from_folder(folder: Path) -> Plugin:
    return _read(f"folder {folder}", folder, "")


def _read(origin: str, folder: Path, package: str) -> Plugin:
    try:
        manifest = read_manifest(folder / MANIFEST_NAME)
    except ManifestError as error:
        return Plugin(
            origin, folder, package, None, str(error), identity=Identity(os.path.realpath(folder), "", package)
        )
    identity = Identity(os.path.realpath(folder), manifest.version, package)
    return Plugin(origin, folder, package, manifest, identity=identity)


def _looked_up(plugin: Plugin) -> Plugin:
    """Refused when its manifest names code that is not there; the files of one that may not run are not read."""
    if plugin.ours or not plugin.usable or plugin.manifest is None:
        return plugin
    return replace(plugin, refusal=named_code_fault(plugin.folder, plugin.package, plugin.manifest))


def _refuse_doubles(found: list[Plugin]) -> list[Plugin]:
    """The first of an id has it; one that may not run takes none."""
    seen: dict[str, str] = {}
    checked = []
    for plugin in found:
        if plugin.manifest is not None and plugin.id in seen:
            reason = f"The id “{plugin.id}” is already taken by {seen[plugin.id]}; give this meter another id."
            plugin = replace(plugin, refusal=reason)
        elif plugin.usable:
            seen[plugin.id] = plugin.origin
        checked.append(plugin)
    return checked
