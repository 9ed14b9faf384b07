"""The day record on disk: private, never a reason to stop, nothing lost that memory can hold."""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from meter.logbook import day_writer as day_writer
from meter.logbook import store as store_module
from meter.logbook.day_record import DAY_RECORD, STEPS, Event, Second, Segment, Series, day_path, file_name, local_day
from meter.logbook.day_writer import DayWriter
from meter.logbook.store import UnwritableError, open_file
from tests.support.day_records import utc_day
from tests.support.ledgers import HOUR, NOON, FakeTime, as_somebody_else

DAY = "2026-03-04"
SONG = Segment("run 1", float(NOON), "song", "a device", 48_000, 2, '{"mix": [0, 1]}')
MIX = Series(SONG, "mix", '[["loudness.short_term", "LUFS", 1]]')


def figure(second: int) -> bytes:
    return struct.pack("<f", second % 1000)


def row(second: int, series: Series = MIX) -> Second:
    return Second(NOON + second, ((series, figure(second)),))


class Writing:
    """A writer whose clock moves by ``seconds``, one row each."""

    def __init__(self, folder: Path, series: Series = MIX) -> None:
        self.time = FakeTime(NOON)
        self.series = series
        self.writer = DayWriter(folder / "record", self.time.clock(), utc_day)
        self.path = day_path(series.segment.job, DAY, folder / "record")
        self.writer.add(series.segment)
        self.second = 0

    def seconds(self, count: int) -> None:
        for _ in range(count):
            self.writer.add(row(self.second, self.series))
            self.second += 1
            self.time.go(1.0)
            self.writer.update()

    def close(self) -> None:
        self.writer.close()

    @property
    def connection(self) -> sqlite3.Connection:
        assert self.writer._store is not None
        return self.writer._store.connection


def seconds_in(path: Path) -> list[int]:
    """Seconds after noon on disk; each must hold its own figure."""
    with closing(sqlite3.connect(path)) as connection:
        found = connection.execute("SELECT at, figures FROM second ORDER BY at").fetchall()
    assert all(figures == figure(at - NOON) for at, figures in found)
    return [at - NOON for at, _ in found]


def mode(path: Path) -> int:
    return path.stat().st_mode & 0o777


def test_files_and_folders_are_for_their_owner_alone(tmp_path: Path) -> None:
    used = Writing(tmp_path)
    used.seconds(3)
    folder = used.path.parent
    assert {found.name for found in folder.iterdir()} == {used.path.name + end for end in ("", "-wal", "-shm")}
    assert {mode(found) for found in folder.iterdir()} == {0o600}
    assert mode(folder) == mode(folder.parent) == 0o700
    used.close()
    assert seconds_in(used.path) == [0, 1, 2]


def test_what_is_written_is_on_disk_within_two_seconds(tmp_path: Path) -> None:
    used = Writing(tmp_path)
    used.seconds(50)
    assert seconds_in(used.path)[-1] >= 48, "read by another connection while the writer is at work"
    used.close()


def test_a_full_disk_is_told_and_costs_nothing(tmp_path: Path) -> None:
    used = Writing(tmp_path)
    used.seconds(3)
    (pages,) = used.connection.execute("PRAGMA page_count").fetchone()
    used.connection.execute(f"PRAGMA max_page_count = {pages}").fetchone()
    used.seconds(400)
    assert "cannot be written (database or disk is full)" in used.writer.sentence
    assert "kept in memory until it can be" in used.writer.sentence
    used.connection.execute("PRAGMA max_page_count = 1000000").fetchone()
    used.seconds(6)
    assert used.writer.sentence == ""
    used.close()
    assert seconds_in(used.path) == list(range(409))


def test_memory_is_bounded_and_what_is_dropped_is_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(day_writer, "MOST_ROWS", 100)
    monkeypatch.setattr(day_writer, "MOST_EVENTS", 10)
    (tmp_path / "record").write_text("in the way")
    used = Writing(tmp_path)
    used.seconds(150)
    for number in range(30):
        used.writer.add(Event(NOON + number, "mark", "Mark.", "song", segment=SONG))
    assert "50 rows and 20 events of the day record are lost" in used.writer.sentence
    (tmp_path / "record").unlink()
    used.close()
    assert seconds_in(used.path) == list(range(50, 150)), "the newest are kept"
    with closing(sqlite3.connect(used.path)) as connection:
        assert connection.execute("SELECT count(*) FROM event").fetchone() == (10,)
        assert connection.execute("SELECT source FROM segment").fetchone() == ("a device",)


def test_a_folder_without_rights_is_told_and_used_when_it_has_them(tmp_path: Path) -> None:
    def work(folder: Path) -> str:
        used = Writing(folder)
        used.seconds(20)
        said = used.writer.sentence
        (folder / "record").chmod(0o700)
        used.seconds(10)
        used.close()
        return f"{said} | {used.writer.sentence} | {len(seconds_in(used.path))}"

    def prepare(folder: Path) -> None:
        (folder / "record").mkdir(mode=0o777)
        (folder / "record").chmod(0o777)

    def without_rights(folder: Path) -> str:
        own = folder / "own"
        own.mkdir()
        (own / "record").mkdir(mode=0o500)
        return work(own)

    said, later, count = as_somebody_else(without_rights, prepare).split(" | ")
    assert "cannot be written (Permission denied)" in said
    assert later == ""
    assert count == "30"


def garbage(path: Path) -> None:
    path.write_bytes(b"no table here " * 500)


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:5000])


def foreign(path: Path) -> None:
    path.unlink()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE second (at, figures)")
        connection.commit()


def absurd(path: Path) -> None:
    """Rows of other types, as no version of this program writes them."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("INSERT INTO event VALUES (99, 'yesterday', 'mark', '', 0, 7, '{}', 'x')")
        connection.commit()


@pytest.mark.parametrize("harm", [garbage, cut, foreign, absurd])
def test_a_damaged_file_is_kept_aside_and_a_new_one_begun(tmp_path: Path, harm: Callable[[Path], None]) -> None:
    first = Writing(tmp_path)
    first.seconds(300)
    first.close()
    harm(first.path)
    second = Writing(tmp_path)
    second.second = 400
    second.seconds(5)
    aside = first.path.with_name(first.path.name + ".damaged")
    assert f"it is kept as {aside}" in second.writer.sentence
    assert aside.is_file()
    second.close()
    found = seconds_in(first.path)
    assert found[-5:] == list(range(400, 405))
    if harm is absurd:
        assert found[:300] == list(range(300)), "rows that can be read are in the new file"
        assert "300 rows of it could be read" in second.writer.sentence or second.writer._store is None


def test_a_file_of_a_newer_version_is_left_alone(tmp_path: Path) -> None:
    first = Writing(tmp_path)
    first.seconds(3)
    first.close()
    with closing(sqlite3.connect(first.path)) as newer:
        newer.execute(f"PRAGMA user_version = {len(STEPS) + 1}")
    before = first.path.read_bytes()
    second = Writing(tmp_path)
    second.seconds(4)
    assert "was written by a newer version of this program and is left alone" in second.writer.sentence
    second.close()
    assert first.path.read_bytes() == before
    assert seconds_in(first.path.with_name(f"{first.path.name}.version-{len(STEPS)}")) == [0, 1, 2, 3]


def test_a_file_deleted_while_it_is_in_use_is_begun_again(tmp_path: Path) -> None:
    used = Writing(tmp_path)
    used.seconds(5)
    for found in used.path.parent.iterdir():
        found.unlink()
    used.seconds(5)
    assert "was deleted or moved while it was in use; a new one is begun" in used.writer.sentence
    used.close()
    assert seconds_in(used.path) == [5, 6, 7, 8, 9]
    with closing(sqlite3.connect(used.path)) as connection:
        assert connection.execute("SELECT count(*) FROM segment").fetchone() == (1,), "the segment is stated again"


def test_a_folder_replaced_by_another_file_stops_nothing(tmp_path: Path) -> None:
    used = Writing(tmp_path)
    used.seconds(5)
    used.path.parent.rename(tmp_path / "moved")
    used.path.parent.write_text("in the way")
    used.seconds(12)
    assert "cannot be written" in used.writer.sentence
    used.path.parent.unlink()
    used.seconds(6)
    used.close()
    assert seconds_in(used.path) == list(range(5, 23))


def test_two_windows_write_the_same_file(tmp_path: Path) -> None:
    other_song = replace(SONG, run="run 2", id=SONG.id + 1)
    one, other = Writing(tmp_path), Writing(tmp_path, Series(other_song, "mix", MIX.keys))
    for _ in range(30):
        one.seconds(1)
        other.seconds(1)
    one.close()
    other.seconds(5)
    other.close()
    assert (one.writer.sentence, other.writer.sentence) == ("", "")
    assert sorted(seconds_in(one.path)) == sorted([*range(30), *range(35)])


def test_a_file_that_another_program_holds_is_written_when_it_is_free(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store_module, "BUSY_SECONDS", 0.01)
    used = Writing(tmp_path)
    used.seconds(2)
    with closing(sqlite3.connect(used.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        used.seconds(12)
        assert "cannot be written (database is locked)" in used.writer.sentence
        other.execute("ROLLBACK")
    used.seconds(6)
    assert used.writer.sentence == ""
    used.close()
    assert seconds_in(used.path) == list(range(20))


def test_an_older_file_is_backed_up_before_its_tables_change(tmp_path: Path) -> None:
    used = Writing(tmp_path)
    used.seconds(9)
    used.close()
    later = replace(DAY_RECORD, steps=(*STEPS, ("ALTER TABLE segment ADD COLUMN place TEXT",)))
    for _ in range(2):  # a second start makes no second copy
        opened = open_file(used.path, later)
        assert opened.sentence == ""
        assert opened.connection.execute("SELECT place FROM segment").fetchall() == [(None,)]
        opened.connection.close()
    assert seconds_in(used.path) == list(range(9))
    backups = [found for found in used.path.parent.iterdir() if ".backup" in found.name]
    assert [found.name for found in backups] == [f"{used.path.name}.backup-version-{len(STEPS)}"]
    assert seconds_in(backups[0]) == list(range(9))
    assert mode(backups[0]) == 0o600
    with closing(sqlite3.connect(backups[0])) as old:
        assert old.execute("PRAGMA user_version").fetchone() == (len(STEPS),)


def test_a_migration_that_fails_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    used = Writing(tmp_path)
    used.writer.add(replace(SONG, id=SONG.id + 1))
    used.seconds(9)
    used.close()
    step = ("ALTER TABLE segment ADD COLUMN place TEXT", "CREATE UNIQUE INDEX one ON segment (job)")
    with pytest.raises(UnwritableError):
        open_file(used.path, replace(DAY_RECORD, steps=(*STEPS, step)))
    assert [found.name for found in used.path.parent.iterdir() if "damaged" in found.name] == []
    again = Writing(tmp_path)
    again.second = 9
    again.seconds(1)
    again.close()
    assert again.writer.sentence == ""
    assert seconds_in(used.path) == list(range(10))


NAMES = [
    "../../etc", "..", ".", "/", "a/b", "a_b", "a\\b", "nul\0", "lone \ud800", "x" * 300, "", "  ", "no job", "♫",
]  # fmt: skip


def test_a_job_of_any_name_has_a_folder_of_its_own(tmp_path: Path) -> None:
    names = [file_name(name) for name in NAMES]
    assert file_name("My song 2") == "My song 2"
    assert len(set(names)) == len(names) - 1, "only the empty names share one"
    for name in names:
        (tmp_path / name).mkdir(exist_ok=True)
        assert (tmp_path / name).resolve().parent == tmp_path.resolve()


def test_the_day_is_the_local_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Pacific/Kiritimati")  # 14 h ahead of UTC
    assert local_day(NOON) == "2026-03-05"
    monkeypatch.setenv("TZ", "America/Los_Angeles")
    assert local_day(NOON) == "2026-03-04"
    assert local_day(NOON - 5 * HOUR) == "2026-03-03"
    monkeypatch.undo()
    assert local_day(float("1e300")) == "1970-01-01"
