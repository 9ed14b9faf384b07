"""The logbook's file: private, kept aside when damaged, left alone when newer, never a reason to stop."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from meter.logbook import store as store_module
from meter.logbook.migrate import STEPS
from meter.logbook.store import kept_aside, logbook_path, open_store
from tests.support.ledgers import ME, NOON, Desk, FakeTime, as_somebody_else, seconds_of


def mode(path: Path) -> int:
    return path.stat().st_mode & 0o777


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "data" / "logbook.sqlite3"


@pytest.fixture
def used(tmp_path: Path) -> Path:
    """A logbook in which a minute and a half was noted."""
    desk = Desk(tmp_path)
    desk.listen(80.0, 90)
    desk.ledger.close()
    return desk.path


def test_file_companions_and_folder_are_for_their_owner_alone(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.listen(80.0, 10)
    names = {found.name for found in desk.path.parent.iterdir()}
    assert names == {"logbook.sqlite3", "logbook.sqlite3-wal", "logbook.sqlite3-shm"}
    assert {mode(found) for found in desk.path.parent.iterdir()} == {0o600}
    assert mode(desk.path.parent) == 0o700
    desk.ledger.close()


def test_rights_that_were_wider_are_taken_back(used: Path) -> None:
    used.chmod(0o644)
    open_store(used).connection.close()
    assert mode(used) == 0o600


def test_the_programs_own_folder_is_made_private_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    path = logbook_path()
    assert path.is_relative_to(tmp_path)
    path.parent.mkdir(mode=0o755)
    open_store(path).connection.close()
    assert mode(path.parent) == 0o700


def test_another_folder_keeps_its_rights(tmp_path: Path) -> None:
    tmp_path.chmod(0o755)
    open_store(tmp_path / "own.sqlite3").connection.close()
    assert mode(tmp_path) == 0o755


def test_a_second_start_finds_what_the_first_noted(used: Path, tmp_path: Path) -> None:
    desk = Desk(tmp_path, begin=False)
    assert desk.ledger.sentence == ""
    assert len(seconds_of(desk.ledger)) == 90
    desk.ledger.close()


def garbage(path: Path) -> None:
    path.write_bytes(b"no table here " * 500)


def torn(path: Path) -> None:
    """A page in the middle overwritten, the head whole."""
    whole = bytearray(path.read_bytes())
    for at in range(4096, len(whole), 4096):
        whole[at : at + 200] = b"\xff" * 200
    path.write_bytes(whole)


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:5000])


def somebody_elses(path: Path) -> None:
    path.unlink()
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE recipe (name TEXT)")


@pytest.mark.parametrize("harm", [garbage, torn, cut, somebody_elses])
def test_a_damaged_file_is_kept_whole_beside_a_new_one(used: Path, harm) -> None:
    harm(used)
    before = used.read_bytes()
    opened = open_store(used)
    (aside,) = kept_aside(used)
    assert aside.read_bytes() == before
    assert str(aside) in opened.sentence
    assert opened.sentence.count(".") == opened.sentence.count("sqlite3") + 2, "one sentence"
    assert opened.path == used
    assert opened.connection.execute("SELECT count(*) FROM minute").fetchone() == (0,)
    opened.connection.close()
    again = open_store(used)
    assert again.sentence == ""
    again.connection.close()


def not_utf_8(path: Path) -> None:
    """One byte of a column's name in the schema."""
    whole = path.read_bytes()
    path.write_bytes(whole.replace(b"utc_offset INTEGER", b"utc_offse\xff INTEGER", 1))


def text_for_a_number(path: Path) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("UPDATE sitting SET seen = 'yesterday'")
        connection.execute("UPDATE minute SET utc_offset = 'x' WHERE minute = (SELECT max(minute) FROM minute)")


def far_too_large(path: Path) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("UPDATE minute SET minute = 1 << 61 WHERE minute = (SELECT max(minute) FROM minute)")


def without_a_table(path: Path) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("DROP TABLE sitting")


@pytest.mark.parametrize(
    ("harm", "left"), [(not_utf_8, 0), (text_for_a_number, 9), (far_too_large, 9), (without_a_table, 10)]
)
def test_nonsense_in_a_file_is_set_aside_and_what_is_whole_goes_on_counting(path: Path, harm, left: int) -> None:
    desk = Desk(path.parent.parent)
    desk.listen(80.0, 600)
    desk.ledger.close()
    assert desk.path == path
    harm(path)
    before = path.read_bytes()
    later = Desk(path.parent.parent, desk.time)
    (aside,) = kept_aside(path)
    assert aside.read_bytes() == before
    told = f"{left} minutes of it could be read and are counted" if left else "not counted"
    assert f"it is kept as {aside} and {told}." in later.ledger.sentence
    assert len(seconds_of(later.ledger)) == 60 * left
    later.listen(80.0, 60)
    later.ledger.close()
    again = Desk(path.parent.parent, desk.time, begin=False)
    assert again.ledger.sentence == ""
    assert len(seconds_of(again.ledger)) == 60 * left + 60
    again.ledger.close()


def test_every_damaged_file_gets_a_name_of_its_own(path: Path) -> None:
    path.parent.mkdir()
    for number in range(3):
        path.write_bytes(b"damaged %d" % number)
        open_store(path).connection.close()
    assert [found.read_bytes() for found in kept_aside(path)] == [b"damaged 0", b"damaged 1", b"damaged 2"]


def test_a_file_that_another_program_mended_meanwhile_is_not_moved(used: Path) -> None:
    opened = store_module._after_damage(used, "it is damaged")
    assert opened.sentence == ""
    assert opened.connection.execute("SELECT count(*) FROM minute").fetchone()[0] > 0
    opened.connection.close()
    assert kept_aside(used) == []


def test_a_newer_file_is_left_alone_and_counting_goes_on_beside_it(used: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(used)) as newer:
        newer.execute(f"PRAGMA user_version = {len(STEPS) + 1}")
    before = used.read_bytes()
    desk = Desk(tmp_path)
    desk.listen(80.0, 10)
    assert "newer version" in desk.ledger.sentence
    desk.ledger.close()
    assert used.read_bytes() == before
    again = Desk(tmp_path, desk.time, begin=False)
    assert len(seconds_of(again.ledger)) == 10
    again.ledger.close()


def note_something(folder: Path) -> str:
    desk = Desk(folder)
    desk.listen(90.0, 20)
    said = f"{len(seconds_of(desk.ledger, since=0))} s; {desk.ledger.sentence}"
    desk.ledger.close()
    return said


def test_where_nothing_can_be_written_counting_goes_on_in_memory() -> None:
    said = as_somebody_else(note_something, lambda folder: folder.chmod(0o555))
    assert said.startswith("20 s; ")
    assert "cannot be written (Permission denied)" in said
    assert "make the folder writable" in said


def test_what_can_only_be_read_still_counts() -> None:
    def prepare(folder: Path) -> None:
        desk = Desk(folder, FakeTime(NOON - 60))
        desk.listen(80.0, 30)
        desk.ledger.close()
        desk.path.chmod(0o444)
        desk.path.parent.chmod(0o555)

    said = as_somebody_else(note_something, prepare)
    assert said.startswith("50 s; "), said
    assert "earlier listening is counted" in said


@pytest.mark.parametrize("in_the_way", ["folder instead of the file", "file instead of the folder"])
def test_something_else_in_its_place_is_one_sentence(path: Path, in_the_way: str) -> None:
    if in_the_way.startswith("folder"):
        path.mkdir(parents=True)
    else:
        path.parent.write_text("a file")
    opened = open_store(path)
    assert "cannot be written" in opened.sentence
    assert opened.path is None
    opened.connection.execute("INSERT INTO said VALUES (?, 1, 1, 1)", (ME,))
    opened.connection.close()


def test_without_a_path_it_is_kept_in_memory() -> None:
    opened = open_store(None)
    assert (opened.path, opened.sentence) == (None, "")
    assert opened.connection.execute("SELECT count(*) FROM minute").fetchone() == (0,)
    opened.connection.close()
