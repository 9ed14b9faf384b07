"""File that names the face by others that is running, so that one that ends or freezes the window can be named.

The file is mapped into memory, so a mark costs as much as storing a number. Its window holds a lock on it. A file
with a mark and no lock was left by a window that crashed or was killed.
"""

from __future__ import annotations

import contextlib
import json
import mmap
import os
import secrets
from pathlib import Path
from typing import IO

try:
    import fcntl
except ImportError:  # Windows does not delete an open file
    fcntl = None  # type: ignore[assignment]

PREFIX = "faces-at-work-"
SIZE = 65_536
HEAD = 2
"""Bytes before the names: the number of the running face, 0 for none."""
MOST_FACES = 60_000


class FaceMarker:
    """The marks of one window; kept in memory only without a ``folder`` that can be written."""

    def __init__(self, folder: Path | None) -> None:
        self._file: IO[bytes] | None = None
        self._path = folder / f"{PREFIX}{os.getpid()}-{secrets.token_hex(4)}" if folder is not None else None
        self._memory: mmap.mmap | bytearray = bytearray(SIZE)
        if self._path is not None:
            with contextlib.suppress(OSError, ValueError):
                self._open(self._path)
        self._keys: list[str] = []
        self.at_work = 0

    def _open(self, path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self._file = path.open("xb+")
        _lock(self._file)
        self._file.write(bytes(SIZE))  # written, not cut to length: a full disk must not end the process later
        self._file.flush()
        self._memory = mmap.mmap(self._file.fileno(), SIZE)

    def register(self, key: str) -> int:
        """The number of a face by its meter's key, from 1 up."""
        if key not in self._keys:
            names = json.dumps([*self._keys, key]).encode()
            if len(names) > SIZE - HEAD or len(self._keys) >= MOST_FACES:
                return 0
            self._keys.append(key)
            self._memory[HEAD : HEAD + len(names)] = names
        return self._keys.index(key) + 1

    def mark(self, number: int) -> None:
        """Set the running face; 0 for none."""
        self.at_work = number
        self._memory[0], self._memory[1] = number & 255, number >> 8

    def close(self) -> None:
        """Remove the file: the window closes normally."""
        if self._file is not None and self._path is not None:
            if isinstance(self._memory, mmap.mmap):
                self._memory.close()
            self._memory = bytearray(SIZE)
            self._file.close()
            self._file = None
            with contextlib.suppress(OSError):
                self._path.unlink()


def keys_of_ended_windows(folder: Path) -> list[str]:
    """Keys of the faces that were running when a window crashed or was killed; removes their files."""
    keys = []
    for path in sorted(folder.glob(f"{PREFIX}*")):
        with contextlib.suppress(OSError, ValueError):
            with path.open("rb") as file:
                _lock(file)
                data = file.read(SIZE)
            path.unlink()
            number = data[0] + 256 * data[1]
            names, _ = json.JSONDecoder().raw_decode(data[HEAD:].decode().rstrip("\0"))
            if number:
                keys.append(str(names[number - 1]))
    return keys


def _lock(file: IO[bytes]) -> None:
    """Lock the file for this process; raises OSError when another process has it."""
    if fcntl is not None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
