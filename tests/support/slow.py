"""Which tests are slow: those that ``tests/slow.txt`` lists with the seconds they took, and all of ``tests/live``.

A pytest plugin, loaded by ``tests/conftest.py``. It marks the listed tests ``slow``, so that ``-m "not slow"`` leaves
them out. ``--measure`` writes the list from a whole run. A test that is not listed counts as quick; a run of quick
tests names at its end those that were not. Worker processes get the files in the order of their listed seconds, the
longest first, so that no worker is left with a long one at the end.
"""

from __future__ import annotations

import resource
import time
from collections import defaultdict
from collections.abc import Generator, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
LIST = ROOT / "tests" / "slow.txt"
SLOW_SECONDS = 0.4
"""A test function that takes as long as this over all its cases is listed.

Where set-up takes that long the file is listed: another test of it would make what they share.
"""
TOLD_SECONDS = 3 * SLOW_SECONDS
"""What a quick test may take before it is named: the machine may be busy."""
PROPERTY = "seconds"
HEAD = (
    "# Tests that the quick run leaves out, and the seconds each took over all its cases.\n"
    "# Written by tests/run.sh --measure; run it on an idle machine.\n"
)


def cpu_seconds() -> float:
    """CPU time of this process and of the children it waited for."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def function_of(node: str) -> str:
    """A test's name without its case: ``tests/test_a.py::test_b[c]`` becomes ``tests/test_a.py::test_b``."""
    return node.partition("[")[0]


def file_of(node: str) -> str:
    """The file of a test: ``tests/test_a.py::test_b`` becomes ``tests/test_a.py``."""
    return node.partition("::")[0]


def is_slow(node: str, listed: Mapping[str, float]) -> bool:
    """Whether a test is listed by its name or by its file, or is a live one."""
    return node.startswith("tests/live/") or function_of(node) in listed or file_of(node) in listed


def read_list(path: Path = LIST) -> dict[str, float]:
    """Name of each listed test function or file to its seconds; empty without a list."""
    if not path.exists():
        return {}
    lines = path.read_text(encoding="utf-8").splitlines()
    pairs = (line.split() for line in lines if line and not line.startswith("#"))
    return {name: float(seconds) for seconds, name in pairs}


def write_list(seconds: Mapping[str, float], setups: Mapping[str, float], path: Path = LIST) -> None:
    """Write those of at least SLOW_SECONDS, in the order of their names; ``setups`` is the part that was set-up."""
    whole = {file_of(name) for name, spent in setups.items() if spent >= SLOW_SECONDS}
    spent_by: defaultdict[str, float] = defaultdict(float)
    for name, spent in seconds.items():
        spent_by[file_of(name) if file_of(name) in whole else name] += spent
    listed = sorted((name, spent) for name, spent in spent_by.items() if spent >= SLOW_SECONDS)
    path.write_text(HEAD + "".join(f"{spent:6.1f} {name}\n" for name, spent in listed), encoding="utf-8")


BEGAN = pytest.StashKey[tuple[float, float]]()
SET_UP = pytest.StashKey[float]()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--measure", action="store_true", help="write tests/slow.txt from this run of all tests")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "slow: listed in tests/slow.txt, or in tests/live")
    if not hasattr(config, "workerinput"):
        config.pluginmanager.register(Sums(config))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    listed = read_list()
    for item in items:
        if is_slow(item.nodeid, listed):
            item.add_marker("slow")
    if hasattr(config, "workerinput"):
        of_file: defaultdict[str, float] = defaultdict(float)
        for name, seconds in listed.items():
            of_file[file_of(name)] += seconds
        items.sort(key=lambda item: -of_file[file_of(item.nodeid)])


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    item.stash[BEGAN] = cpu_seconds(), time.monotonic()
    return (yield)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Send along with the last report what the test took; workers have no other way to the process that sums up."""
    report = yield
    if call.when == "setup":
        item.stash[SET_UP] = call.duration
    if call.when == "teardown":
        cpu, wall = item.stash[BEGAN]
        spent = cpu_seconds() - cpu, time.monotonic() - wall, item.stash[SET_UP]
        report.user_properties.append((PROPERTY, spent))
    return report


class Sums:
    """Adds up what each test function took, and at the end of the run says or writes it."""

    def __init__(self, config: pytest.Config) -> None:
        self._config = config
        self._cpu: defaultdict[str, float] = defaultdict(float)
        self._wall: defaultdict[str, float] = defaultdict(float)
        self._set_up: defaultdict[str, float] = defaultdict(float)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        for name, value in report.user_properties:
            if name == PROPERTY:
                self._cpu[function_of(report.nodeid)] += value[0]
                self._wall[function_of(report.nodeid)] += value[1]
                self._set_up[function_of(report.nodeid)] += value[2]

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        if self._config.getoption("--measure"):
            write_list(self._wall, self._set_up)
            terminalreporter.write_line(f"{LIST.relative_to(ROOT)} is written again.")
        elif "not slow" in self._config.getoption("markexpr"):
            for name, spent in sorted(self._cpu.items()):
                if spent >= TOLD_SECONDS:
                    terminalreporter.write_line(
                        f"No longer quick ({spent:.1f} s): {name}; tests/run.sh --measure lists it."
                    )
