"""Faults at random places of ``dsp/`` or another folder, one change of the syntax tree each, seeded.

A comparison is turned round or its edge moved, a number changed by a tenth (a whole one by 1), plus and minus
swapped, or a call that stands as a statement dropped.
"""

from __future__ import annotations

import ast
import random
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from tests.mutants.faults import Fault, Mutant, Tree

COMPARED = {
    ast.Lt: ("<=", ">="), ast.LtE: ("<", ">"), ast.Gt: (">=", "<="), ast.GtE: (">", "<"),
    ast.Eq: ("!=",), ast.NotEq: ("==",),
}  # fmt: skip
MOST_TESTS = 6
"""Test files per fault: those that import the module itself come first."""


@dataclass(frozen=True)
class _Change:
    line: int
    start: int
    end: int
    new: str


def random_mutants(tree: Tree, count: int, seed: int, under: str = "dsp") -> list[Mutant]:
    """``count`` faults, spread evenly over all places of all files whose path holds ``under``."""
    rng = random.Random(seed)
    places = [
        (path, text, change)
        for path, text in tree.sources.items()
        if under in path.as_posix() and _tests_of(tree, path)
        for change in _changes(text, rng)
    ]
    return [_mutant(tree, *place) for place in rng.sample(places, min(count, len(places)))]


def _mutant(tree: Tree, path: Path, text: str, change: _Change) -> Mutant:
    lines = text.splitlines(keepends=True)
    line = lines[change.line].encode()
    changed = (line[: change.start] + change.new.encode() + line[change.end :]).decode()
    name = f"{path.stem}:{change.line + 1}"
    means = f"{lines[change.line].strip()}  ->  {changed.strip()}"
    tests = _tests_of(tree, path)
    fault = Fault(name, path.name, lines[change.line], changed, means, tests)
    lines[change.line] = changed
    return Mutant(fault, path, "".join(lines), tests)


def _changes(text: str, rng: random.Random) -> Iterator[_Change]:
    for node in ast.walk(ast.parse(text)):
        change = None
        if isinstance(node, ast.Compare) and len(node.ops) == 1:
            change = _compared(node, rng)
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
            change = _number(node, rng)
        elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add | ast.Sub):
            sign = "-" if isinstance(node.op, ast.Add) else "+"
            change = _between(text, node.left, node.right, "-" if sign == "+" else "+", sign)
        elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call) and node.lineno == node.end_lineno:
            change = _Change(node.lineno - 1, node.col_offset, node.end_col_offset or 0, "pass")
        if change is not None:
            yield change


def _compared(node: ast.Compare, rng: random.Random) -> _Change | None:
    choices = COMPARED.get(type(node.ops[0]))
    if choices is None or node.lineno != node.end_lineno:
        return None
    right = node.comparators[0]
    new = ast.unparse(node.left) + f" {rng.choice(choices)} " + ast.unparse(right)
    # In brackets: what stands around may bind closer.
    return _Change(node.lineno - 1, node.col_offset, node.end_col_offset or 0, f"({new})")


def _number(node: ast.Constant, rng: random.Random) -> _Change:
    step = rng.choice((-1, 1))
    tenth = 0.1 * (node.value or 1.0)
    value = node.value + step * (1 if isinstance(node.value, int) else tenth)
    return _Change(node.lineno - 1, node.col_offset, node.end_col_offset or 0, repr(value))


def _between(text: str, left: ast.expr, right: ast.expr, old: str, new: str) -> _Change | None:
    if left.end_lineno != right.lineno or left.end_col_offset is None:
        return None
    line = text.splitlines()[right.lineno - 1].encode()
    at = line.find(old.encode(), left.end_col_offset, right.col_offset)
    return _Change(right.lineno - 1, at, at + 1, new) if at >= 0 else None


def _tests_of(tree: Tree, path: Path) -> tuple[str, ...]:
    """The mirror of the file, tests of ``dsp/`` and against standards that name it, tests of meters that use it.

    Of the processor of a meter: the tests that begin with the meter's name.
    """
    if path.name == "process.py":
        of_meter = [test for test in tree.tests if test.stem.startswith(f"test_{path.parent.name}")]
        return tuple(test.as_posix() for test in of_meter if "builtin" in test.parts)
    mirror = [test for test in tree.tests if test.name == f"test_{path.stem}.py"]
    named = [
        test
        for test, text in tree.tests.items()
        if test.parts[1] in ("dsp", "published") and _names(text, {path.stem})
    ]
    meters = [user.parent.name for user in _users(tree, path.stem) if user.name == "process.py"]
    of_meters = [test for test in tree.tests if test.stem.removeprefix("test_") in meters and "builtin" in test.parts]
    found = list(dict.fromkeys([*mirror, *named[: MOST_TESTS - 3], *of_meters]))
    return tuple(test.as_posix() for test in found[:MOST_TESTS])


@cache
def _imported(text: str) -> frozenset[str]:
    return frozenset(re.findall(r"^from dsp\.(?:\w+\.)*(\w+) import", text, re.MULTILINE))


def _names(text: str, stems: set[str]) -> bool:
    return not stems.isdisjoint(_imported(text))


def _users(tree: Tree, stem: str) -> list[Path]:
    """Files that import a module of ``dsp/``, and those that import them."""
    stems, users = {stem}, list[Path]()
    while True:
        more = [path for path, text in tree.sources.items() if path not in users and _names(text, stems)]
        if not more:
            return users
        users += more
        stems |= {path.stem for path in more if path.parts[0] == "dsp"}
