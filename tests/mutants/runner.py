"""Run tests against copies of the tree, one fault at a time.

A copy holds the code, the presets and the tests. It comes first on the path, before an installed package.
"""

from __future__ import annotations

import os
import queue
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.mutants.faults import ROOT, Mutant

COPIED = ("dsp", "meter", "presets", "tests", "pyproject.toml")
LEFT_OUT = shutil.ignore_patterns("__pycache__", "live", "bench", ".*")
LONGEST_SECONDS = 1800.0
"""A fault that keeps its tests busy for longer counts as noticed."""

PASSED, FAILED, BROKEN = 0, 1, 2
"""What pytest ends with: all passed, some failed, collection failed."""


@dataclass(frozen=True)
class Outcome:
    """Whether the tests noticed the fault, and what they said: the first failure, or why there was none."""

    mutant: Mutant
    killed: bool
    said: str


class Copies:
    """So many copies of the tree in a temporary folder, handed out one at a time."""

    def __init__(self, count: int) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="earwitness-mutants-")
        self._free: queue.Queue[Path] = queue.Queue()
        for number in range(count):
            copy = Path(self._folder.name) / str(number)
            copy.mkdir()
            for name in COPIED:
                source = ROOT / name
                if source.is_dir():
                    shutil.copytree(source, copy / name, ignore=LEFT_OUT)
                else:
                    shutil.copy(source, copy / name)
            self._free.put(copy)

    @contextmanager
    def one(self) -> Iterator[Path]:
        """A copy for one use."""
        copy = self._free.get()
        try:
            yield copy
        finally:
            self._free.put(copy)

    def close(self) -> None:
        """Delete them all."""
        self._folder.cleanup()


def run_tests(copy: Path, tests: Sequence[str]) -> tuple[int, str]:
    """Exit code of pytest over these tests of a copy, and its last line about a failure."""
    environment = os.environ | {
        "PYTHONPATH": str(copy),
        # A byte code file counts as fresh by size and second: a fault may change neither.
        "PYTHONDONTWRITEBYTECODE": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "QT_QPA_PLATFORM": "offscreen",
    }
    command = [sys.executable, "-m", "pytest", "-x", "-q", "--no-header", "--tb=line", "-p", "no:cacheprovider"]
    try:
        done = subprocess.run(
            [*command, *tests],
            cwd=copy, env=environment, capture_output=True, text=True, timeout=LONGEST_SECONDS, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return FAILED, f"no end within {LONGEST_SECONDS:g} s"
    lines = [line for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
    return done.returncode, lines[0] if lines else done.stdout.strip().rpartition("\n")[2] or done.stderr.strip()


def try_mutant(copies: Copies, mutant: Mutant) -> Outcome:
    """Apply one fault, run its tests, take it out again."""
    with copies.one() as copy:
        path = copy / mutant.path
        healthy = path.read_bytes()
        path.write_text(mutant.text, encoding="utf-8")
        try:
            code, said = run_tests(copy, mutant.tests)
        finally:
            path.write_bytes(healthy)
    if code not in (PASSED, FAILED, BROKEN):
        raise RuntimeError(f"The tests of “{mutant.fault.name}” could not be run: {said}")
    return Outcome(mutant, code != PASSED, said)


def failing_without_a_fault(copies: Copies, tests: Sequence[str], jobs: int) -> list[str]:
    """What fails in the tree as it is; a test that does notices nothing."""

    def run(test: str) -> tuple[int, str]:
        with copies.one() as copy:
            return run_tests(copy, [test])

    with ThreadPoolExecutor(jobs) as pool:
        return [said for code, said in pool.map(run, tests) if code != PASSED]


def try_all(copies: Copies, mutants: Sequence[Mutant], jobs: int) -> Iterator[Outcome]:
    """Outcomes as they come."""
    with ThreadPoolExecutor(jobs) as pool:
        for done in as_completed([pool.submit(try_mutant, copies, mutant) for mutant in mutants]):
            yield done.result()
