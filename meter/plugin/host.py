"""The host: finds meters, refuses what it cannot serve, loads what is wanted. Every outcome is a record.

Meters come from the entry point group ``earwitness.meters`` (a package that holds ``manifest.toml``; ours are
declared there like anybody's) and from folders that the user enabled. Discovery imports nothing of a meter.
"""

from __future__ import annotations

import importlib
import importlib.util
import sys
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from types import ModuleType
from typing import Any, cast

from meter.plugin.api import Processor
from meter.plugin.manifest import MANIFEST_NAME, Manifest, ManifestError, read_manifest

GROUP = "earwitness.meters"
OURS = "meter.builtin."
FOLDER_PACKAGE = "earwitness_folder_meters"


@dataclass(frozen=True)
class Plugin:
    """One discovered meter, or one that was refused.

    ``origin`` says where it came from in words; ``folder`` holds its manifest; ``package`` is the dotted
    package of an installed meter, empty for one from a plain folder. ``refusal`` is one sentence, or empty.
    """

    origin: str
    folder: Path
    package: str
    manifest: Manifest | None
    refusal: str = ""

    @property
    def usable(self) -> bool:
        """True when the host may load it."""
        return self.manifest is not None and not self.refusal

    @property
    def ours(self) -> bool:
        """True for a meter of this program, which needs no watching."""
        return self.package.startswith(OURS)

    @property
    def id(self) -> str:
        """The manifest's id, or the folder's name where there is no manifest."""
        return self.manifest.id if self.manifest else self.folder.name


def discover(folders: Sequence[Path] = (), *, installed: bool = True) -> list[Plugin]:
    """All meters that can be seen, ours first; refused ones are in the list with the reason."""
    found = [_from_entry_point(entry) for entry in _entries()] if installed else []
    found += [_from_folder(folder) for folder in folders]
    return _refuse_doubles(found)


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
    module = importlib.import_module(module_name) if plugin.package else _module_in_folder(plugin, module_name)
    try:
        return getattr(module, name)
    except AttributeError:
        raise ImportError(f"{module_name} has no {name}.") from None


def _entries() -> list[EntryPoint]:
    """Entry points with our own distribution's first, in the order they are declared there."""
    return sorted(entry_points(group=GROUP), key=lambda entry: not entry.value.startswith(OURS))


def _from_entry_point(entry: EntryPoint) -> Plugin:
    origin = f"installed package {entry.value}"
    folder = _package_folder(entry.value)
    if folder is None:
        gone = Path(entry.value.replace(".", "/"))
        return Plugin(origin, gone, entry.value, None, f"The package {entry.value} cannot be found; reinstall it.")
    return _read(origin, folder, entry.value)


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
        return Plugin(origin, folder, package, read_manifest(folder / MANIFEST_NAME))
    except ManifestError as error:
        return Plugin(origin, folder, package, None, str(error))


def _refuse_doubles(found: list[Plugin]) -> list[Plugin]:
    seen: dict[str, str] = {}
    checked = []
    for plugin in found:
        if plugin.manifest is not None and plugin.id in seen:
            reason = f"The id “{plugin.id}” is already taken by {seen[plugin.id]}; give this meter another id."
            plugin = Plugin(plugin.origin, plugin.folder, plugin.package, plugin.manifest, reason)
        elif plugin.manifest is not None:
            seen[plugin.id] = plugin.origin
        checked.append(plugin)
    return checked


def _module_in_folder(plugin: Plugin, module_name: str) -> ModuleType:
    """Import ``module_name``.py of a folder plugin under a name of its own, so that two folders never collide."""
    folder_mark = zlib.crc32(str(plugin.folder.resolve()).encode())
    full_name = f"{FOLDER_PACKAGE}_{folder_mark:08x}.{module_name}"
    if full_name in sys.modules:
        return sys.modules[full_name]
    path = plugin.folder / f"{module_name}.py"
    spec = importlib.util.spec_from_file_location(full_name, path)
    if spec is None or spec.loader is None or not path.is_file():
        raise ImportError(f"{path} is not there; the manifest names it.")
    module = importlib.util.module_from_spec(spec)
    sys.modules[full_name] = module
    try:
        spec.loader.exec_module(module)
    except SystemExit as error:
        del sys.modules[full_name]
        raise ImportError(f"{path} ends the program when it is imported; take that out of it.") from error
    except BaseException:
        del sys.modules[full_name]
        raise
    return module
