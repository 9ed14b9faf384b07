"""The list of slow tests: what is written is read back, cases add up to their test, and only the slow are listed."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support import slow


def test_the_list_holds_the_slow_and_is_read_as_it_was_written(tmp_path: Path) -> None:
    path = tmp_path / "slow.txt"
    assert slow.read_list(path) == {}
    spent = {"tests/b.py::test_long": 12.34, "tests/a.py::test_short": 0.1, "tests/a.py::test_c": 0.5}
    slow.write_list(spent, {}, path)
    assert list(slow.read_list(path)) == ["tests/a.py::test_c", "tests/b.py::test_long"]
    assert slow.read_list(path)["tests/b.py::test_long"] == pytest.approx(12.34, abs=0.05)


def test_a_file_whose_set_up_is_slow_is_listed_whole(tmp_path: Path) -> None:
    path = tmp_path / "slow.txt"
    slow.write_list({"tests/a.py::test_b": 3.0, "tests/a.py::test_c": 0.1}, {"tests/a.py::test_b": 2.9}, path)
    assert slow.read_list(path) == {"tests/a.py": pytest.approx(3.1)}
    assert slow.is_slow("tests/a.py::test_c[1]", slow.read_list(path))
    assert not slow.is_slow("tests/b.py::test_c", slow.read_list(path))


def test_the_cases_of_a_test_are_one_name() -> None:
    assert slow.function_of("tests/a.py::test_b[x::y[0]]") == "tests/a.py::test_b"
    assert slow.function_of("tests/a.py::test_b") == "tests/a.py::test_b"


def test_what_is_listed_is_slow_and_what_is_not_is_quick(request: pytest.FixtureRequest) -> None:
    listed = slow.read_list()
    assert listed
    for item in request.session.items:
        assert (item.get_closest_marker("slow") is not None) == slow.is_slow(item.nodeid, listed)
