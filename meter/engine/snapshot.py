"""The one block of shared memory between the two processes: newest readings, and what outlives an engine.

The window process creates it before it starts an engine, the engine attaches, the window unlinks it. A header of
64-bit integers carries heartbeats and counters; two payload buffers of float64 take turns. The writer fills the
buffer that is not the newest and then counts up; a reader whose count moved while it copied tries again. Behind them
is room for what one engine leaves to the next (``state_saver``).
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import secrets
import shutil
from dataclasses import dataclass
from multiprocessing.shared_memory import SharedMemory
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

MAGIC = 0x4541_5257_4954
VERSION = 2
HEADER_WORDS = 32
CAPACITY = 65_536
"""Float64 values one snapshot may hold: 32 channels and a dozen large meters fit many times over."""
HANDOVER_BYTES = 16 * 1024 * 1024
"""A mix takes some 100 kB of it, a day with many parts a few MB."""
SHARED_FOLDER = Path("/dev/shm")
"""Where Linux has shared memory as files, of a size that an administrator set."""
NAME_PREFIX = "earwitness"
READ_TRIES = 3

(
    _MAGIC, _VERSION, _COUNT, _GENERATION, _TOTAL, _ENGINE_BEAT_NS, _WINDOW_BEAT_NS, _METER, _OPENING,
    _BEGINNING, _STUDY,
) = range(11)  # fmt: skip


class SharedMemoryError(OSError):
    """The block cannot be made; the text is one sentence that says what is full and the fix."""


@dataclass(frozen=True)
class Snapshot:
    """One consistent copy: ``values`` as laid out by ``generation``."""

    count: int
    generation: int
    values: NDArray[np.float64]


class SharedSnapshot:
    """Both ends of the block; which process may call what stands at each method."""

    def __init__(self, memory: SharedMemory, *, owner: bool) -> None:
        self._memory = memory
        self._owner = owner
        words = np.ndarray((HEADER_WORDS,), dtype=np.int64, buffer=memory.buf)
        self._header = words
        size = HEADER_WORDS * 8
        self._buffers = np.ndarray((2, CAPACITY), dtype=np.float64, buffer=memory.buf, offset=size)
        size += self._buffers.nbytes
        self._room = np.ndarray((HANDOVER_BYTES,), dtype=np.uint8, buffer=memory.buf, offset=size)

    @classmethod
    def create(cls) -> SharedSnapshot:
        """[window] Make a new block; its name carries this process's number, so that stale ones can be told.

        Raises SharedMemoryError when there is no room for it.
        """
        name = f"{NAME_PREFIX}-{os.getpid()}-{secrets.token_hex(4)}"
        size = HEADER_WORDS * 8 + 2 * CAPACITY * 8 + HANDOVER_BYTES
        try:
            memory = SharedMemory(name=name, create=True, size=size)
        except OSError as error:
            raise SharedMemoryError(_no_room(size, error)) from error
        try:
            _reserve(memory.name, size)
        except OSError as error:
            memory.close()
            memory.unlink()
            raise SharedMemoryError(_no_room(size, error)) from error
        block = cls(memory, owner=True)
        block._header[:] = 0
        block._header[_MAGIC] = MAGIC
        block._header[_VERSION] = VERSION
        block._header[_METER] = block._header[_STUDY] = -1
        return block

    @classmethod
    def attach(cls, name: str) -> SharedSnapshot:
        """[engine] Open the block the window made; raises ValueError when it is not one of ours."""
        block = cls(SharedMemory(name=name), owner=False)
        if block._header[_MAGIC] != MAGIC or block._header[_VERSION] != VERSION:
            block.close()
            raise ValueError(f"The shared memory {name} was made by another version of this program.")
        return block

    @property
    def name(self) -> str:
        """What ``attach`` needs."""
        return self._memory.name

    def publish(self, generation: int, status: NDArray[np.float64], values: NDArray[np.float64]) -> None:
        """[engine] Make these the newest readings: ``status`` first, ``values`` after it."""
        total = len(status) + len(values)
        if total > CAPACITY:
            raise ValueError(f"{total:,} readings do not fit the {CAPACITY:,} of a snapshot; enable fewer meters.")
        count = int(self._header[_COUNT])
        buffer = self._buffers[(count + 1) % 2]
        buffer[: len(status)] = status
        buffer[len(status) : total] = values
        self._header[_GENERATION] = generation
        self._header[_TOTAL] = total
        self._header[_COUNT] = count + 1

    def take(self) -> Snapshot | None:
        """[window] The newest readings, or None before the first and when the writer was too quick three times."""
        for _ in range(READ_TRIES):
            count, generation, total = (int(self._header[word]) for word in (_COUNT, _GENERATION, _TOTAL))
            if count == 0:
                return None
            values = self._buffers[count % 2][:total].copy()
            if int(self._header[_COUNT]) == count:
                return Snapshot(count, generation, values)
        return None

    def forget(self) -> None:
        """[window] Drop what a dead engine left, so that it is not taken for new."""
        self._header[_COUNT] = 0
        self._header[_ENGINE_BEAT_NS] = 0
        self._header[_METER] = self._header[_STUDY] = -1
        self._header[_OPENING] = 0

    def beat_engine(self, now_ns: int) -> None:
        """[engine] Sign of life, monotonic nanoseconds."""
        self._header[_ENGINE_BEAT_NS] = now_ns

    def beat_window(self, now_ns: int) -> None:
        """[window] Sign of life, monotonic nanoseconds."""
        self._header[_WINDOW_BEAT_NS] = now_ns

    @property
    def engine_beat_ns(self) -> int:
        """[window] The engine's last sign of life, 0 before the first."""
        return int(self._header[_ENGINE_BEAT_NS])

    @property
    def window_beat_ns(self) -> int:
        """[engine] The window's last sign of life, 0 before the first."""
        return int(self._header[_WINDOW_BEAT_NS])

    def set_opening(self, opening: bool, now_ns: int) -> None:
        """[engine] Say that a source is being opened, which may take longer than a heartbeat; itself a sign of life.

        The beat comes first: opening may have taken longer than an engine is waited for that opens nothing.
        """
        self.beat_engine(now_ns)
        self._header[_OPENING] = int(opening)

    @property
    def opening(self) -> bool:
        """[window] True while the engine opens a source."""
        return bool(self._header[_OPENING])

    def enter_meter(self, index: int) -> None:
        """[engine] Note which meter is at work (-1: none), so that one that hangs can be named."""
        self._header[_METER] = index

    @property
    def meter_at_work(self) -> int:
        """[window] Index of the meter at work, or -1."""
        return int(self._header[_METER])

    def enter_study(self, index: int) -> None:
        """[engine] Note which meter's study is running (-1: none)."""
        self._header[_STUDY] = index

    @property
    def study_at_work(self) -> int:
        """[window] Index of the meter whose study is running, or -1."""
        return int(self._header[_STUDY])

    def begin(self) -> None:
        """[window] Counting restarts: state that engines saved before is not restored."""
        self._header[_BEGINNING] += 1

    @property
    def beginning(self) -> int:
        """[engine] How often ``begin`` was called."""
        return int(self._header[_BEGINNING])

    @property
    def room(self) -> NDArray[np.uint8]:
        """[engine] Bytes that outlive an engine; not to be held on to, or the block cannot be closed."""
        return self._room

    def close(self) -> None:
        """Let go of the block; the owner also removes it."""
        # The arrays must go first: a mapped buffer that is still referenced cannot be closed.
        self._header = np.empty(0, dtype=np.int64)
        self._buffers = np.empty((0, 0))
        self._room = np.empty(0, dtype=np.uint8)
        self._memory.close()
        if self._owner:
            with contextlib.suppress(FileNotFoundError):
                self._memory.unlink()


def _reserve(name: str, size: int) -> None:
    """Take up the block's memory now: a write to a page for which there is no room ends the process (SIGBUS)."""
    path = SHARED_FOLDER / name
    if not hasattr(os, "posix_fallocate") or not path.is_file():
        return
    handle = os.open(path, os.O_RDWR)
    try:
        os.posix_fallocate(handle, 0, size)
    finally:
        os.close(handle)


def _no_room(size: int, error: OSError) -> str:
    needed = f"{size / 1e6:.0f} MB of shared memory are needed"
    if error.errno not in (errno.ENOSPC, errno.ENOMEM) or not SHARED_FOLDER.is_dir():
        return f"{needed} and cannot be had ({error.strerror}); close other programs and start again."
    free = f"{shutil.disk_usage(SHARED_FOLDER).free / 1e6:.0f} MB are free"
    fix = f"delete files there or run “sudo mount -o remount,size=256M {SHARED_FOLDER}”"
    return f"Shared memory ({SHARED_FOLDER}) is full: {needed}, {free}; {fix}, then choose the source again."


def remove_stale(folder: Path = SHARED_FOLDER) -> list[str]:
    """[window] Remove blocks whose makers are dead (Linux); returns their names."""
    removed = []
    for path in folder.glob(f"{NAME_PREFIX}-*") if folder.is_dir() else ():
        match = re.fullmatch(rf"{NAME_PREFIX}-(\d+)-[0-9a-f]+", path.name)
        if match and not Path("/proc", match[1]).exists():
            with contextlib.suppress(OSError):
                path.unlink()
                removed.append(path.name)
    return removed
