"""A part of what ``python -m tests.fuzz`` does, the same damage each time: no traceback, no hang, no growth."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.fuzz.readers import Reader, readers
from tests.fuzz.runner import try_reader

SEED = 20_261_128
CASES = 50
OF_SOUND = "sound files"
INSIDE = [reader for reader in readers() if reader.name != OF_SOUND]


@pytest.fixture(autouse=True)
def own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))


@pytest.mark.parametrize("reader", INSIDE, ids=lambda reader: reader.name)
def test_a_damaged_file_is_one_sentence_at_most(reader: Reader, tmp_path: Path) -> None:
    account = try_reader(reader, CASES, SEED, tmp_path / "fuzz")
    assert account.faults == []
    assert account.cases == CASES


def test_damaged_sound_files_in_a_process_that_they_may_end(tmp_path: Path) -> None:
    """A library in C reads them: what is wrong with it could end the process."""
    share = CASES / next(reader.cases for reader in readers() if reader.name == OF_SOUND)
    words = [sys.executable, "-m", "tests.fuzz", "--only", OF_SOUND, "--share", str(share), "--seed", str(SEED)]
    done = subprocess.run(words, capture_output=True, text=True, env=os.environ | {"PYTHONPATH": "."}, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"{CASES} damaged files, 0 faults." in done.stdout


def test_the_whole_of_it_is_ten_thousand_files() -> None:
    assert sum(reader.cases for reader in readers()) >= 10_000
