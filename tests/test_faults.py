"""The table of faults in DEVELOPERS.md: at least sixty, each with what the user sees and a test that is there."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[1]
LEAST_FAULTS = 60
ROW = re.compile(r"\| ([^|]+) \| ([^|]+) \| ([\w/]+\.py)::(test_\w+) \|")


def rows() -> list[tuple[str, str, str, str]]:
    """Fault, what is seen, file and test of each row."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.partition("\n## Faults\n")[2].partition("\n## ")[0]
    lines = [line for line in table.splitlines() if line.startswith("|")][2:]
    found = [ROW.fullmatch(line) for line in lines]
    assert None not in found, [line for line, match in zip(lines, found, strict=True) if match is None]
    return [match.group(1, 2, 3, 4) for match in found if match is not None]


@cache
def names_in(file: str) -> frozenset[str]:
    path = ROOT / "tests" / file
    tree = ast.parse(path.read_text(encoding="utf-8")) if path.is_file() else ast.Module([], [])
    return frozenset(node.name for node in tree.body if isinstance(node, ast.FunctionDef))


def test_every_fault_has_a_test_that_is_there() -> None:
    assert [f"{file}::{test}" for _, _, file, test in rows() if test not in names_in(file)] == []


def test_there_are_sixty_and_none_is_there_twice() -> None:
    faults, _, files, tests = zip(*rows(), strict=True)
    assert len(set(faults)) == len(faults) >= LEAST_FAULTS
    assert len(set(zip(files, tests, strict=True))) == len(faults), "each by a test of its own"
