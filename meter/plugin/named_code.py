"""The code that a manifest names, looked up without running it: is the file there, does it compile, has it the name.

Only for the meter's own files. A file that may bind names while it runs, by ``import *`` or ``__getattr__``, passes.
"""

from __future__ import annotations

import ast
from pathlib import Path

from meter.plugin.manifest import MANIFEST_NAME, Manifest
from meter.toml_lines import Place, line_of

MAX_FILE_BYTES = 5_000_000


def named_code_fault(folder: Path, package: str, manifest: Manifest) -> str:
    """One sentence with file and line about the first name that cannot be loaded, or an empty string.

    ``package`` is the dotted name of an installed meter's package, empty for a plain folder.
    """
    for place, dotted in manifest.named_code():
        module, _, name = dotted.partition(":")
        inner = module.removeprefix(f"{package}.") if package else module
        if package and inner == module:
            continue  # in another package: found out when it is imported
        path = _file_of(folder, inner)
        if path is None:
            missing = f"“{dotted}” names {inner.rpartition('.')[2]}.py, which is not there"
            return f"{_entry(folder, place)}: {missing}; write it or correct the name."
        names, fault = _read_names(path)
        if fault:
            return fault
        if not names & {name, "*"}:
            return f"{_entry(folder, place)}: {path.name} has no “{name}”; correct the name or write it there."
    return ""


def _file_of(folder: Path, module: str) -> Path | None:
    place = folder.joinpath(*module.split("."))
    return next((path for path in (place.with_suffix(".py"), place / "__init__.py") if path.is_file()), None)


def _entry(folder: Path, place: Place) -> str:
    """The manifest and the line of this entry."""
    path = folder / MANIFEST_NAME
    try:
        return f"{path}, line {line_of(path.read_text(encoding='utf-8'), place)}"
    except (OSError, UnicodeDecodeError):  # changed since it was read
        return str(path)


def _read_names(path: Path) -> tuple[set[str], str]:
    """Names that a file binds, or one sentence that says why it cannot be compiled."""
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            return set(), f"{path} is far too large for a module; split it."
        return _names_in(ast.parse(path.read_bytes(), str(path))), ""
    except OSError as error:
        return set(), f"{path} cannot be read ({error.strerror}); check who may read it."
    except SyntaxError as error:
        wrong = f"{type(error).__name__}: {error.msg}"
        return set(), f"{path}, line {error.lineno or 1}: {wrong}; correct that line."
    except (ValueError, RecursionError, MemoryError) as error:
        return set(), f"{path} cannot be compiled ({type(error).__name__}); write it as Python text."


def _names_in(tree: ast.Module) -> set[str]:
    """Names that the module binds at its top level, in branches too; "*" when there may be others."""
    found: set[str] = set()
    todo: list[ast.AST] = list(tree.body)
    while todo:
        node = todo.pop()
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            found.add("*" if node.name == "__getattr__" else node.name)
        elif isinstance(node, ast.Import | ast.ImportFrom):
            found |= {(alias.asname or alias.name).partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            found.add(node.id)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("exec", "globals"):
            found.add("*")
        else:
            todo += ast.iter_child_nodes(node)
    return found
