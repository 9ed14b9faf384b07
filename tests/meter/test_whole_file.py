"""A file is replaced whole or stays as it was."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from meter.whole_file import LONGEST_REASON, plain_words, read_limited, write_whole


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


def test_no_more_of_a_file_is_read_than_is_wanted(tmp_path: Path) -> None:
    path = tmp_path / "long"
    path.write_bytes(b"x" * 1000)
    assert read_limited(path, 1000) == b"x" * 1000
    assert read_limited(path, 10) == b"x" * 11


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no such devices here")
def test_a_file_without_an_end_is_read_up_to_the_limit() -> None:
    assert read_limited(Path("/dev/zero"), 50) == bytes(51)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_file_that_makes_readers_wait_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert read_limited(tmp_path / "pipe", 50) == b""


def test_words_from_a_file_become_one_line_of_letters_that_can_be_shown() -> None:
    assert plain_words("unknown field `a\nb\x00é`.") == "unknown field `a\\nb\\x00é`"
    long = plain_words("x" * 70_000)
    assert long == "x" * LONGEST_REASON + "…"
    assert plain_words("\x00" * 300, 100) == "\\x00" * 25 + "…"
