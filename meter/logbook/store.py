"""Files of SQLite in the user's data folder, readable by their owner only: the logbook, and others of the same make.

A damaged file is kept under another name, and its valid rows are copied into a new file. A file of a newer version is
not changed; one of an older version is copied before its tables are brought up to date. Opening the logbook never
fails: if nothing can be written, it is kept in memory for this run. Each case has one sentence for the user. A killed
program loses only what it had not committed (write-ahead log). Network drives are not supported.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import platformdirs

from meter.logbook.make import Make
from meter.logbook.migrate import APPLICATION_ID, STEPS, ForeignFileError, NewerLogbookError, migrate, version_of
from meter.logbook.salvage import TABLES, UNREADABLE, copy_rows, is_sound, lenient

FILE_NAME = "logbook.sqlite3"
DAMAGED_SUFFIX = ".damaged"
OLDER_SUFFIX, BACKUP_SUFFIX = ".version-", ".backup-version-"
COMPANIONS = ("", "-wal", "-shm")
BUSY_SECONDS = 2.0
DAMAGE_CODES = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR)
"""SQLITE_ERROR comes from statements that do not match the tables, so tables are missing or foreign."""
NOT_A_FILE = "it is not an ordinary file"
PRIVATE_FILE, PRIVATE_FOLDER = 0o600, 0o700

LOGBOOK = Make(
    APPLICATION_ID,
    STEPS,
    TABLES,
    counted="minute",
    newer=(
        "The logbook {path} was written by a newer version of this program and is left alone; levels now go to "
        "{other}, and earlier listening is not counted."
    ),
    damaged="The logbook was unusable ({reason}); it is kept as {aside} and {came}.",
    came_some="{count:,} minutes of it could be read and are counted",
    came_none="not counted",
)


class DamagedError(Exception):
    """The file is damaged."""


class UnwritableError(Exception):
    """A file that cannot be opened for writing: its path, and the reason as a phrase."""

    def __init__(self, path: Path, reason: str) -> None:
        super().__init__(reason)
        self.path, self.reason = path, reason


@dataclass(frozen=True)
class Store:
    """An open file. ``path`` is None for one in memory; ``sentence`` is empty unless there is a fault. The
    connection belongs to the thread that opened it.
    """

    connection: sqlite3.Connection
    path: Path | None
    sentence: str = ""
    file: tuple[int, int] | None = None
    """Device and number of the file that was opened."""

    def is_there(self) -> bool:
        """False after the file was deleted or replaced; later writes are lost when the program ends."""
        if self.path is None or self.file is None:
            return True
        try:
            found = self.path.stat()
        except (FileNotFoundError, NotADirectoryError):
            return False
        except OSError:
            return True
        return (found.st_dev, found.st_ino) == self.file


def _store(connection: sqlite3.Connection, path: Path, sentence: str = "") -> Store:
    found = path.stat()
    return Store(connection, path, sentence, (found.st_dev, found.st_ino))


def logbook_path() -> Path:
    """Path of this user's logbook; file and folder may not exist yet."""
    return logbook_folder() / FILE_NAME


def logbook_folder() -> Path:
    """The program's own data folder for this user."""
    return Path(platformdirs.user_data_dir("earwitness", appauthor=False))


def kept_aside(path: Path) -> list[Path]:
    """Files beside ``path`` that were damaged, in order of name."""
    return sorted(
        found
        for found in path.parent.glob(f"{path.name}{DAMAGED_SUFFIX}*")
        if not found.name.endswith(COMPANIONS[1:])
    )


def open_store(path: Path | None) -> Store:
    """Open or make the logbook; with None it is kept in memory. Never raises."""
    if path is None:
        return Store(_connect_memory(), None)
    try:
        return open_file(path)
    except UnwritableError as error:
        return _from_memory(error.path, error.reason)


def open_file(path: Path, make: Make = LOGBOOK) -> Store:
    """Open or make a file; raises UnwritableError."""
    used = path
    try:
        try:
            return _store(_open(path, make), path)
        except NewerLogbookError:
            used = path.with_name(f"{path.name}{OLDER_SUFFIX}{len(make.steps)}")
            return _store(_open(used, make), used, make.newer.format(path=path, other=used.name))
        except (DamagedError, ForeignFileError) as error:
            return _after_damage(path, str(error), make)
    except (NewerLogbookError, DamagedError, ForeignFileError, sqlite3.Error, OSError) as error:
        raise UnwritableError(used, _reason(error)) from error


def open_to_read(path: Path) -> sqlite3.Connection:
    """Open a file read-only; raises sqlite3.Error when there is none."""
    return lenient(sqlite3.connect(f"file:{quote(str(path))}?mode=ro", uri=True, timeout=BUSY_SECONDS))


def forget_deleted(connection: sqlite3.Connection) -> None:
    """Remove deleted rows from the write-ahead log."""
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()


def _open(path: Path, make: Make) -> sqlite3.Connection:
    _make_private(path)
    connection = lenient(sqlite3.connect(path, timeout=BUSY_SECONDS, isolation_level=None))
    try:
        _prepare(connection, path, make)
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
        connection.close()
        # Without a code, Python failed to decode the content.
        code = getattr(error, "sqlite_errorcode", None)
        if code is None or code & 0xFF in DAMAGE_CODES:
            raise DamagedError("it is damaged") from error
        raise
    except Exception:
        connection.close()
        raise
    return connection


def _prepare(connection: sqlite3.Connection, path: Path, make: Make) -> None:
    """Raises DamagedError, ForeignFileError, NewerLogbookError, sqlite3.Error or OSError."""
    (verdict,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if verdict != "ok":
        raise DamagedError("it is damaged")
    try:
        version = version_of(connection, make.steps, make.application_id)
        if 0 < version < len(make.steps):
            _back_up(connection, path.with_name(f"{path.name}{BACKUP_SUFFIX}{version}"))
        migrate(connection, make.steps, make.application_id)
    except ForeignFileError as error:
        raise ForeignFileError("another program wrote it") from error
    if not is_sound(connection, make.tables):
        raise DamagedError("it holds values that this program never writes")
    connection.execute("PRAGMA journal_mode = WAL").fetchone()
    connection.execute("PRAGMA synchronous = NORMAL")
    connection.execute("PRAGMA secure_delete = ON").fetchone()


def _back_up(connection: sqlite3.Connection, path: Path) -> None:
    """Copy the file as it is before a migration; a copy of that version that is there already stays."""
    if path.exists():
        return
    part = path.with_name(f"{path.name}.{os.getpid()}")
    try:
        os.close(os.open(part, os.O_RDWR | os.O_CREAT, PRIVATE_FILE))
        with contextlib.closing(sqlite3.connect(part)) as copy:
            connection.backup(copy)
        part.rename(path)
    finally:
        part.unlink(missing_ok=True)


def _make_private(path: Path) -> None:
    """Folder and file for the owner alone; raises OSError."""
    for folder in reversed([path.parent, *path.parent.parents]):
        if not folder.exists():
            folder.mkdir(mode=PRIVATE_FOLDER, exist_ok=True)  # "parents" would make those between as the system likes
    if path.parent == logbook_folder() and path.parent.stat().st_mode & 0o077:
        path.parent.chmod(PRIVATE_FOLDER)
    if path.exists() and not path.is_file():
        raise OSError(errno.EINVAL, NOT_A_FILE)  # opening a pipe would block
    # The companions of the write-ahead log take over the mode of the file.
    os.close(os.open(path, os.O_RDWR | os.O_CREAT, PRIVATE_FILE))
    if path.stat().st_mode & 0o077:
        path.chmod(PRIVATE_FILE)


def _after_damage(path: Path, reason: str, make: Make = LOGBOOK) -> Store:
    """Keep the file under another name and begin a new one, unless another program has just done so."""
    with contextlib.suppress(DamagedError, ForeignFileError, NewerLogbookError, sqlite3.Error, OSError):
        return _store(_open(path, make), path)
    aside = path.with_name(path.name + DAMAGED_SUFFIX)
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}{DAMAGED_SUFFIX}-{number}")
    for companion in COMPANIONS:
        with contextlib.suppress(FileNotFoundError):
            path.with_name(path.name + companion).rename(aside.with_name(aside.name + companion))
    connection = _open(path, make)
    count = _taken_over(aside, connection, make)
    came = make.came_some.format(count=count) if count else make.came_none
    return _store(connection, path, make.damaged.format(reason=reason, aside=aside, came=came))


def _taken_over(path: Path, into: sqlite3.Connection, make: Make) -> int:
    """Copy the valid rows of a damaged file, opened read-only; return how many of those that are counted."""
    with contextlib.suppress(*UNREADABLE), contextlib.closing(open_to_read(path)) as source:
        return copy_rows(source, into, make.tables, make.counted)
    return 0


def _from_memory(path: Path, reason: str) -> Store:
    """A logbook in memory, with the rows of the file that can be read."""
    connection = _connect_memory()
    read = _copy(path, connection)
    before = "earlier listening is counted" if read else "earlier listening is not counted"
    said = (
        f"The logbook {path} cannot be written ({reason}): {before}, and levels from now on are kept until the "
        f"program ends; make the folder writable and start again."
    )
    return Store(connection, None, said)


def _copy(path: Path, into: sqlite3.Connection) -> bool:
    """Copy the rows of a file that cannot be written; False when it cannot be read."""
    if not path.is_file():
        return False
    for words in ("mode=ro", "mode=ro&immutable=1"):
        with contextlib.suppress(*UNREADABLE, NewerLogbookError, ForeignFileError):
            source = sqlite3.connect(f"file:{quote(str(path))}?{words}", uri=True, timeout=BUSY_SECONDS)
            copy = sqlite3.connect(":memory:", isolation_level=None)
            with contextlib.closing(source), contextlib.closing(copy):
                source.backup(copy)
                migrate(copy)
                copy_rows(copy, into)
            return True
    return False


def _connect_memory() -> sqlite3.Connection:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    migrate(connection)
    return connection


def _reason(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return str(error).rstrip(".") or type(error).__name__
