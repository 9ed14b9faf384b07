"""Write a file whole or not at all, and move one that cannot be used out of the way.

Files and folders that the program makes are for their owner only.
"""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from pathlib import Path

ASIDE_SUFFIX = ".unreadable"
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
