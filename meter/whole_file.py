"""Write a file whole or not at all, and move one that cannot be used out of the way."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

ASIDE_SUFFIX = ".unreadable"


def write_whole(path: Path, content: bytes) -> None:
    """Put ``content`` in the place of ``path``; makes its folder. Readers see the old file or the new one.

    Raises OSError, or ValueError for a path that no system takes; then ``path`` is as it was and no other file stays.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
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
