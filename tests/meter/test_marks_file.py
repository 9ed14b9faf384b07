"""The file of marks: the next start has them, two windows share it, and a broken one costs nothing else."""

from __future__ import annotations

import math
from pathlib import Path

import msgspec
import pytest

from meter.marks import MARK, MOST_MARKS, Mark, MarkList
from meter.marks_file import KeptMarks, MarksFile
from meter.whole_file import ASIDE_SUFFIX

NOON = 1_700_000_000.0
VERSE = Mark(10.0, NOON, "verse", 40.0, {"loudness.integrated_mark": -16.0, "peaks.true_max_mark": -math.inf})
RUNNING = Mark(40.0, NOON + 30.0, "mark 2")
SINCE = {"loudness.integrated_mark": -14.2, "loudness.range_mark": math.nan}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "data" / "marks.msgpack"


def test_marks_come_back_with_length_time_and_figures_before_the_new_clock(path: Path) -> None:
    assert MarksFile(path).save((VERSE, RUNNING), 95.0, SINCE) == ""
    (verse, ended), said = MarksFile(path).load(NOON + 3600.0)
    assert said == ""
    assert (verse.name, verse.at, verse.figures) == (VERSE.name, NOON, VERSE.figures)
    assert (verse.start, verse.end) == (-3600.0, -3570.0)
    assert (ended.name, ended.running, ended.seconds(0.0)) == ("mark 2", False, 55.0)
    assert ended.figures["loudness.integrated_mark"] == -14.2
    assert math.isnan(ended.figures["loudness.range_mark"])


def test_a_clock_that_was_ahead_puts_no_mark_into_the_future(path: Path) -> None:
    MarksFile(path).save((VERSE,), 40.0, {})
    ((verse,), _) = MarksFile(path).load(NOON - 100.0)
    assert (verse.start, verse.end) == (-30.0, 0.0)


def test_numbers_go_on_after_those_of_last_time(path: Path) -> None:
    found = MarkList()
    found.put_back((msgspec.structs.replace(RUNNING, start=-60.0, end=-5.0),))
    found.begin(20.0, NOON + 200.0, {})
    assert [mark.name for mark in found.marks][-1] == "mark 3"
    assert len(found.marks) == 3, "what played before this first mark is a span of its own"


def test_two_windows_keep_the_marks_of_both(path: Path) -> None:
    first, second = MarksFile(path), MarksFile(path)
    other = msgspec.structs.replace(VERSE, at=NOON + 500.0, name="solo")
    first.load(NOON)
    second.load(NOON)
    first.save((VERSE,), 40.0, {})
    second.save((other,), 40.0, {})
    first.save((msgspec.structs.replace(VERSE, name="chorus"),), 40.0, {})
    assert [mark.name for mark in MarksFile(path).load(NOON + 600.0)[0]] == ["chorus", "solo"]
    first.save((), 40.0, {})
    assert [mark.name for mark in MarksFile(path).load(NOON + 600.0)[0]] == ["solo"]


def test_the_oldest_go_where_the_list_is_full(path: Path) -> None:
    many = tuple(
        msgspec.structs.replace(VERSE, at=NOON + number, name=f"mark {number}") for number in range(MOST_MARKS + 5)
    )
    MarksFile(path).save(many, 40.0, {})
    found, _ = MarksFile(path).load(NOON + 600.0)
    assert (len(found), found[0].name) == (MOST_MARKS, "mark 5")


def _packed(**changes: object) -> bytes:
    return msgspec.msgpack.encode(KeptMarks(1, (msgspec.structs.replace(VERSE, **changes),)))


BROKEN = {
    "noise": b"\xff\x00nonsense",
    "empty": b"",
    "cut": _packed()[:-3],
    "another shape": msgspec.msgpack.encode({"version": 1, "marks": 5}),
    "newer": msgspec.msgpack.encode(KeptMarks(2, (VERSE,))),
    "running": _packed(end=math.nan),
    "ends before it begins": _packed(end=-1000.0),
    "no time": _packed(at=math.inf),
    "longer than a year": _packed(end=1e12),
    "no name": _packed(name=""),
    "a name of two lines": _packed(name="a\nb"),
    "another kind": _packed(kind="lap"),
    "deep": b"\x91" * 100_000,
}


@pytest.mark.parametrize("content", BROKEN.values(), ids=BROKEN)
def test_a_file_that_is_no_list_is_set_aside_and_told(path: Path, content: bytes) -> None:
    path.parent.mkdir()
    path.write_bytes(content)
    file = MarksFile(path)
    found, said = file.load(NOON)
    aside = path.with_name(path.name + ASIDE_SUFFIX)
    assert found == ()
    assert aside.name in said
    assert said.count(".") <= 4, "one sentence, and the dots of the file's name"
    assert aside.read_bytes() == content
    assert file.save((VERSE,), 40.0, {}) == ""
    assert MarksFile(path).load(NOON)[0][0].kind == MARK


def test_a_folder_that_cannot_be_written_is_told_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    said = MarksFile(tmp_path / "file" / "marks.msgpack").save((VERSE,), 40.0, {})
    assert "cannot be saved" in said
    assert MarksFile(tmp_path / "file" / "marks.msgpack").load(NOON)[0] == ()


def test_a_broken_key_makes_no_broken_sentence(path: Path) -> None:
    path.parent.mkdir()
    path.write_bytes(msgspec.msgpack.encode({"version": 1, "marks": (), "a\nb" + "x" * 70_000: 1}))
    found, sentence = MarksFile(path).load(0.0)
    assert found == ()
    assert "unknown field" in sentence
    assert sentence.isprintable()
    assert len(sentence) < 500
