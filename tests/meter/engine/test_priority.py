"""The engine goes ahead of other programs where the system permits it, and starts without it where not."""

from __future__ import annotations

import os
import resource
import subprocess
import sys

import pytest

from meter.engine import priority

pytestmark = pytest.mark.skipif(not hasattr(os, "setpriority"), reason="this system has no nice values")


def test_where_it_is_not_permitted_nothing_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError

    before = os.getpriority(os.PRIO_PROCESS, 0)
    monkeypatch.setattr(os, "setpriority", refuse)
    assert priority.raise_priority() == before


@pytest.mark.parametrize(("limit", "wanted"), [(31, -11), (25, -5), (40, -11), (resource.RLIM_INFINITY, -11), (0, 0)])
def test_no_more_is_asked_for_than_the_limit_permits(
    monkeypatch: pytest.MonkeyPatch, limit: int, wanted: int
) -> None:
    asked: list[int] = []
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    monkeypatch.setattr(os, "getpriority", lambda *_: 0)
    monkeypatch.setattr(os, "setpriority", lambda _which, _who, nice: asked.append(nice))
    monkeypatch.setattr(resource, "getrlimit", lambda _: (limit, limit))
    priority.raise_priority()
    assert asked == [wanted]


def test_a_process_that_was_put_behind_others_on_purpose_stays_or_rises() -> None:
    code = "import os; from meter.engine.priority import raise_priority as r; os.nice(5); print(r(), os.nice(0))"
    printed = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert printed[0] == printed[1]
    assert int(printed[0]) <= os.nice(0) + 5
