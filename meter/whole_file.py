"""Read a file of limited size, write one whole or not at all, move one that cannot be used out of the way.

Files and folders that the program makes are for their owner only.
"""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from pathlib import Path

ASIDE_SUFFIX = ".unreadable"
LONGEST_REASON = 240
PRIVATE_FILE, PRIVATE_FOLDER = 0o600, 0o700


def make_folder(folder: Path) -> None:
    """Make a folder and those above it that are missing, each private; one that is there stays as it is.

    Raises OSError, FileExistsError for a file of that name.
    """
    if folder.is_dir():
        return
    if folder.parent != folder:
        make_folder(folder.parent)
    with contextlib.suppress(FileExistsError):
        folder.mkdir(mode=PRIVATE_FOLDER)
    if not folder.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(folder))


def open_new(path: Path) -> int:
    """Make a new private file and return its handle for writing. Raises OSError, FileExistsError for one there."""
    return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), PRIVATE_FILE)


def read_limited(path: Path, most_bytes: int) -> bytes:
    """The content of a file, or its first ``most_bytes + 1`` bytes where it has more. Raises OSError or ValueError.

    A size is not trusted: files of the system claim 0 bytes and may have no end, or make a reader wait.
    """
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(handle, "rb") as file:
        return file.read(most_bytes + 1) or b""


def plain_words(words: object, most: int = LONGEST_REASON) -> str:
    """Words from a file, for a sentence: one line of ``most`` letters that can be shown, without a last stop."""
    text = str(words)[: 4 * most]
    shown = "".join(letter if letter.isprintable() else ascii(letter)[1:-1] for letter in text).rstrip(".")
    return shown if len(shown) <= most else f"{shown[:most]}…"


def write_whole(path: Path, content: bytes) -> None:
    """Put ``content`` in the place of ``path``; makes its folder. Readers see the old file or the new one.

    Raises OSError, or ValueError for a path that no system takes; then ``path`` is as it was and no other file stays.
    """
    make_folder(path.parent)
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(temporary).replace(path)
    except OSError:
        Path(temporary).unlink(missing_ok=True)
        raise


def move_aside(path: Path) -> Path:
    """Give a file another name beside it, numbered where that is taken, and return it. Raises OSError."""
    aside = path.with_name(path.name + ASIDE_SUFFIX)
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}{ASIDE_SUFFIX}-{number}")
    path.replace(aside)
    return aside
