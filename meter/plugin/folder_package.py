"""A meter's folder as an importable package: its modules import each other relatively or by the folder's name."""

from __future__ import annotations

import importlib
import importlib.util
import os
import sys
import zlib
from pathlib import Path
from types import ModuleType

MANGLED = "earwitness_folder_meter"


def import_from_folder(folder: Path, module_name: str) -> ModuleType:
    """The module ``module_name`` (dotted) of the package that ``folder`` is; raises what its code raises.

    A module that ends the program, or that is not there, is an ImportError with one sentence.
    """
    folder = folder.resolve()
    path = folder.joinpath(*module_name.split("."))
    if not (path.with_suffix(".py").is_file() or (path / "__init__.py").is_file()):
        raise ImportError(f"{path}.py is not there; the manifest names it.")
    try:
        package = _package_of(folder)
        return importlib.import_module(f"{package.__name__}.{module_name}")
    except SystemExit as error:
        raise ImportError(f"{path}.py ends the program when it is imported; take that out of it.") from error
    except ModuleNotFoundError as error:
        if error.name is not None and (folder / f"{error.name}.py").is_file():
            fix = f"write “from . import {error.name}”"
            raise ImportError(f"{path}.py imports {error.name} as if it were installed; {fix}.") from error
        raise


def forget_folder(folder: Path) -> None:
    """Import the modules of this folder again at their next use, as they are then on disk."""
    root = folder.resolve()
    for name, module in list(sys.modules.items()):
        places = [str(place) for place in getattr(module, "__path__", None) or ()]
        if name.partition(".")[0] in (root.name, _mangled(root)) and (
            places == [str(root)] or str(getattr(module, "__file__", None)).startswith(f"{root}{os.sep}")
        ):
            del sys.modules[name]
    importlib.invalidate_caches()


def _mangled(folder: Path) -> str:
    return f"{MANGLED}_{zlib.crc32(str(folder).encode()):08x}"


def _package_of(folder: Path) -> ModuleType:
    """The folder's package, made at its first use: ``__init__.py`` is run if there is one."""
    name = _name_of(folder)
    if name in sys.modules:
        return sys.modules[name]
    start = folder / "__init__.py"
    if start.is_file():
        spec = importlib.util.spec_from_file_location(name, start, submodule_search_locations=[str(folder)])
    else:
        spec = importlib.util.spec_from_loader(name, None, is_package=True)
    assert spec is not None
    spec.submodule_search_locations = [str(folder)]
    package = importlib.util.module_from_spec(spec)
    sys.modules[name] = package
    try:
        if start.is_file() and spec.loader is not None:
            spec.loader.exec_module(package)
    except BaseException:
        del sys.modules[name]
        raise
    return package


def _name_of(folder: Path) -> str:
    """The folder's own name where it is free and can be imported, otherwise one that no other package has."""
    mangled = _mangled(folder)
    if mangled in sys.modules:
        return mangled
    plain = folder.name
    taken = sys.modules.get(plain)
    if taken is not None:
        return plain if list(getattr(taken, "__path__", [])) == [str(folder)] else mangled
    if not plain.isidentifier() or _is_importable(plain):
        return mangled
    return plain


def _is_importable(name: str) -> bool:
    try:
        return name in sys.builtin_module_names or importlib.util.find_spec(name) is not None
    except (ImportError, ValueError):
        return True
