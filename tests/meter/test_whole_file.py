"""A file is replaced whole or stays as it was."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from meter.whole_file import write_whole


def test_the_folder_is_made_and_the_content_replaced(tmp_path: Path) -> None:
    path = tmp_path / "new" / "a.json"
    write_whole(path, b"first, and longer")
    write_whole(path, b"second")
    assert path.read_bytes() == b"second"
    assert list(path.parent.iterdir()) == [path]


@pytest.mark.parametrize("broken", ["fsync", "replace"])
def test_a_failed_write_leaves_the_old_file_and_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, broken: str
) -> None:
    path = tmp_path / "a.json"
    path.write_bytes(b"old")

    def fail(*_: object) -> None:
        raise OSError(28, "no space")

    monkeypatch.setattr(os if broken == "fsync" else Path, broken, fail)
    with pytest.raises(OSError, match="no space"):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]
