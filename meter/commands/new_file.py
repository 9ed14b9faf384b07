"""Write a private file that never replaces an existing one."""

from __future__ import annotations

import os
from pathlib import Path

from meter.whole_file import open_new

MOST_TRIES = 10_000


def write_new(path: Path, content: bytes) -> Path:
    """Write ``content`` into a new file and return its path: ``path``, or that with a number where it is taken.

    A link counts as taken, even a broken one. A file that cannot be written whole is removed.
    Raises OSError.
    """
    for number in range(1, MOST_TRIES):
        chosen = path if number == 1 else path.with_stem(f"{path.stem}-{number}")
        try:
            handle = open_new(chosen)
        except FileExistsError:
            continue
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
        except OSError:
            chosen.unlink(missing_ok=True)
            raise
        return chosen
    raise FileExistsError(f"{path} and {MOST_TRIES - 2:,} numbered ones exist already; delete some")
