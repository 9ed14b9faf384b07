"""The list of faults, and where each applies in a tree.

A fault is found by its text, not by its path, so that a file may move: ``file`` is the end of a path and only decides
where the same text stands in several files.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LISTS = Path(__file__).with_name("lists")
SOURCES = ("dsp", "meter/builtin", "meter/engine", "meter/lowend", "meter/stage")
"""Folders in which a fault may lie."""


class NotApplicable(Exception):
    """A fault that no longer fits the tree; the message names it and the fix."""


@dataclass(frozen=True)
class Fault:
    """One fault: ``old`` becomes ``new``.

    ``tests`` are to notice it: ends of paths of test files, each with ``::function`` where one test is enough.
    """

    name: str
    file: str
    old: str
    new: str
    means: str
    tests: tuple[str, ...]


@dataclass(frozen=True)
class Mutant:
    """A fault in its place: the path relative to the tree, the text of the file with the fault, its tests."""

    fault: Fault
    path: Path
    text: str
    tests: tuple[str, ...]


def read_faults(folder: Path = LISTS) -> list[Fault]:
    """All faults of the lists ``*.toml``, in the order of the file names."""
    found = []
    for path in sorted(folder.glob("*.toml")):
        for entry in tomllib.loads(path.read_text(encoding="utf-8"))["fault"]:
            found.append(Fault(**(entry | {"tests": tuple(entry["tests"])})))
    return found


class Tree:
    """The sources and tests under ``root``, read once; ``place`` finds a fault in them."""

    def __init__(self, root: Path = ROOT) -> None:
        self._sources = {
            path.relative_to(root): path.read_text(encoding="utf-8")
            for folder in SOURCES
            for path in sorted((root / folder).rglob("*.py"))
        }
        self._tests = {
            path.relative_to(root): path.read_text(encoding="utf-8")
            for path in sorted((root / "tests").rglob("test_*.py"))
        }

    @property
    def sources(self) -> Mapping[Path, str]:
        """Text of each source file by its path relative to the root."""
        return self._sources

    @property
    def tests(self) -> Mapping[Path, str]:
        """Text of each test file by its path relative to the root."""
        return self._tests

    def place(self, fault: Fault) -> Mutant:
        """Raises NotApplicable when the text does not occur exactly once, or a test file is not there."""
        holding = [path for path, text in self._sources.items() if fault.old in text]
        holding = [path for path in holding if ends_with(path, fault.file)] or holding
        times = sum(self._sources[path].count(fault.old) for path in holding)
        if times != 1:
            raise NotApplicable(
                f"The old text of “{fault.name}” occurs {times} times near {fault.file}; give one that occurs once."
            )
        return Mutant(fault, holding[0], self._with(fault, holding[0]), self.tests_of(fault))

    def tests_of(self, fault: Fault) -> tuple[str, ...]:
        """A fault's tests as pytest takes them."""
        found: list[str] = []
        for test in fault.tests:
            end, _, function = test.partition("::")
            matches = [path for path in self._tests if ends_with(path, end)]
            if function:
                matches = [path for path in matches if f"def {function}(" in self._tests[path]]
            if not matches:
                raise NotApplicable(f"The test {test} of “{fault.name}” is not there; name another.")
            found += [f"{path.as_posix()}::{function}" if function else path.as_posix() for path in matches]
        return tuple(found)

    def _with(self, fault: Fault, path: Path) -> str:
        text = self._sources[path].replace(fault.old, fault.new)
        try:
            compile(text, str(path), "exec")
        except SyntaxError as error:
            raise NotApplicable(f"“{fault.name}” leaves no valid Python in {path}: {error}.") from error
        return text


def ends_with(path: Path, end: str) -> bool:
    """Whether the last parts of a path are those of ``end``."""
    wanted = Path(end).parts
    return path.parts[-len(wanted) :] == wanted
