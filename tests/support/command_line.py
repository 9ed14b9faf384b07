"""One command of the program, run in this process."""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from meter.cli import main


@dataclass(frozen=True)
class Command:
    """``run`` returns what it printed, on standard error where it is to fail with ``code``."""

    name: str

    def run(self, capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> str:
        assert main([self.name, *words]) == code
        caught = capsys.readouterr()
        return caught.out if code == 0 else caught.err

    def as_json(self, capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.run(capsys, "--json", *words))
        return found


def rows_of(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV file by the names in its first line."""
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
