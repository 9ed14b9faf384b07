"""Every fault of the list still fits the tree, leaves valid Python and names tests that are there."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.mutants.faults import SOURCES, Fault, NotApplicable, Tree, ends_with, read_faults
from tests.mutants.random_faults import random_mutants

FAULTS = read_faults()
TREE = Tree()


def test_every_fault_applies() -> None:
    unfit = []
    for fault in FAULTS:
        try:
            mutant = TREE.place(fault)
        except NotApplicable as error:
            unfit.append(f"{fault.name}: {error}")
            continue
        if mutant.text == TREE.sources[mutant.path] or not mutant.tests:
            unfit.append(f"{fault.name}: changes nothing or names no tests")
    assert not unfit, "\n".join(unfit)


def test_there_are_sixty_of_different_names_all_over_the_code() -> None:
    assert len({fault.name for fault in FAULTS}) == len(FAULTS) >= 60
    touched = {TREE.place(fault).path for fault in FAULTS}
    assert len({path for path in touched if path.parts[0] == "dsp"}) >= 30
    meters = {path for path in TREE.sources if ends_with(path, "process.py") and "builtin" in path.parts}
    assert meters <= touched


def test_a_fault_is_found_where_its_file_went(tmp_path: Path) -> None:
    for folder in (*SOURCES, "tests"):
        (tmp_path / folder).mkdir(parents=True)
    moved = tmp_path / "dsp" / "sums" / "windowed.py"
    moved.parent.mkdir()
    moved.write_text("TOTAL = 1 + 2\n")
    (tmp_path / "tests" / "test_windows.py").touch()
    fault = Fault("sum", "windows.py", "1 + 2", "1 - 2", "a difference", ("test_windows.py",))
    assert Tree(tmp_path).place(fault).text == "TOTAL = 1 - 2\n"
    moved.write_text("TOTAL = 1 + 2 + 1 + 2\n")
    with pytest.raises(NotApplicable, match="occurs 2 times"):
        Tree(tmp_path).place(fault)
    moved.write_text("TOTAL = 3\n")
    with pytest.raises(NotApplicable, match="occurs 0 times"):
        Tree(tmp_path).place(fault)


def test_random_faults_are_valid_python_and_the_same_for_the_same_seed() -> None:
    mutants = random_mutants(TREE, 12, seed=3)
    assert [mutant.text for mutant in mutants] == [mutant.text for mutant in random_mutants(TREE, 12, seed=3)]
    for mutant in mutants:
        compile(mutant.text, str(mutant.path), "exec")
        assert mutant.text != TREE.sources[mutant.path]
