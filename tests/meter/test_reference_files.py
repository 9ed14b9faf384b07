"""A reference as it is written: a file, and a stretch behind an @."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from meter.reference_files import ReferenceError, ReferenceFile, parse, stretch_of


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("song.wav", ReferenceFile("song.wav")),
        ("song.wav@1:10-1:40", ReferenceFile("song.wav", 70.0, 100.0)),
        ("song.wav@70-100.5", ReferenceFile("song.wav", 70.0, 100.5)),
        ("song.wav@1:10-", ReferenceFile("song.wav", 70.0, math.inf)),
        ("song.wav@-0:30", ReferenceFile("song.wav", 0.0, 30.0)),
        ("me@home/song.wav", ReferenceFile("me@home/song.wav")),
        ("me@home/song.wav@5-30", ReferenceFile("me@home/song.wav", 5.0, 30.0)),
        ("song@take.wav", ReferenceFile("song@take.wav")),
        ("@5-30", ReferenceFile("@5-30")),
    ],
)
def test_a_text_is_a_file_and_a_stretch(text: str, expected: ReferenceFile) -> None:
    assert parse(text) == expected
    assert parse(expected.text) == expected


def test_a_file_whose_name_ends_like_a_stretch_is_taken_whole(tmp_path: Path) -> None:
    odd = tmp_path / "loop@1-20"
    odd.write_bytes(b"x")
    assert parse(str(odd)) == ReferenceFile(str(odd))
    whole = ReferenceFile(str(tmp_path / "gone@1-20"))
    assert parse(whole.text) == whole


@pytest.mark.parametrize("text", ["song.wav@1:40-1:10", "song.wav@10-12", "song.wav@1:99-2:30", "song.wav@1--5"])
def test_a_stretch_that_cannot_be_is_one_sentence(text: str) -> None:
    with pytest.raises(ReferenceError) as raised:
        parse(text)
    assert str(raised.value).endswith(".")
    assert text.partition("@")[2] in str(raised.value)


def test_an_empty_stretch_is_all_of_it() -> None:
    assert stretch_of(" ") == (0.0, math.inf)
