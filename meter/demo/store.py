"""The finished music: made once, kept in the user's cache folder, read in pieces; from memory where that fails.

The folder is named after the code that makes the music, so a changed score is made anew. One raw file for each feed
(float32, little endian, channels side by side) and an index that is written last: without a whole index there is
no cache. A folder is filled under another name and renamed, so that two programs never meet half of it.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import time
import zlib
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import platformdirs

from meter.demo.parts import MIX, PARTS, TOTAL_FRAMES
from meter.demo.render import Progress, render
from meter.demo.room import Feed

SOURCES = ("parts", "score", "partials", "instruments", "voice", "room", "ensemble", "render")
INDEX = "index.json"
SAMPLE = np.dtype("<f4")
CHANNELS = {part.key: part.channels for part in (MIX, *PARTS)}
ALL_BYTES = sum(CHANNELS.values()) * TOTAL_FRAMES * SAMPLE.itemsize
PIECE_BYTES = 1 << 20
ABANDONED_SECONDS = 3600.0
PREFIX, PARTIAL = "demo-", ".partial-"


class Music:
    """The scenario, ready to be read. ``keys`` say which feeds and in what order; ``note`` is one sentence or empty.

    Either ``folder`` holds the feeds' files, or ``kept`` the feeds themselves.
    """

    def __init__(
        self, keys: Sequence[str], folder: Path | None = None, kept: Mapping[str, Feed] | None = None, note: str = ""
    ) -> None:
        self.keys = tuple(keys)
        self.note = note
        self.frames = TOTAL_FRAMES
        self.channels = sum(CHANNELS[key] for key in self.keys)
        self._folder = folder
        self._kept = kept or {}

    def read(self, start: int, frames: int) -> Feed:
        """``frames`` frames from ``start`` on, going round at the end; a new array ``(frames, channels)``.

        Raises OSError when the cache went away.
        """
        block = np.empty((frames, self.channels), dtype=np.float32)
        done = 0
        while done < frames:
            at = (start + done) % self.frames
            count = min(frames - done, self.frames - at)
            column = 0
            for key in self.keys:
                block[done : done + count, column : column + CHANNELS[key]] = self._piece(key, at, count)
                column += CHANNELS[key]
            done += count
        return block

    def _piece(self, key: str, start: int, frames: int) -> Feed:
        if self._folder is None:
            return self._kept[key][start : start + frames]
        channels = CHANNELS[key]
        path = _track(self._folder, key)
        samples = np.fromfile(path, SAMPLE, frames * channels, offset=start * channels * SAMPLE.itemsize)
        if len(samples) < frames * channels:
            raise OSError(errno.EIO, "is shorter than before", str(path))
        return samples.reshape(frames, channels)


_in_memory: list[Music] = []
"""At most one: what could not be stored is not made twice in one process."""


def prepare(progress: Progress | None = None, keys: Sequence[str] = (MIX.key,), cache: Path | None = None) -> Music:
    """The music, made first if there is no whole copy in ``cache`` (default: the user's cache folder).

    ``progress`` is told the share done, only while it is being made: about ten seconds. Raises KeyError for a feed
    that does not exist; never fails because of the disk.
    """
    unknown = set(keys) - set(CHANNELS)
    if unknown:
        raise KeyError(", ".join(sorted(unknown)))
    place = cache or default_cache()
    folder = place / f"{PREFIX}{_fingerprint()}"
    try:
        if not is_whole(folder, keys):
            for music in _in_memory:
                if set(keys) <= set(music.keys):
                    return Music(keys, kept=music._kept, note=music.note)
            _check_room(place)
            _fill(folder, progress)
            _clear_old(place, folder)
        return Music(keys, folder)
    except OSError as error:
        return _make_in_memory(keys, place, error, progress)


def default_cache() -> Path:
    """The user's cache folder for this program."""
    return Path(platformdirs.user_cache_dir("earwitness", appauthor=False))


def is_whole(folder: Path, keys: Sequence[str]) -> bool:
    """Whether the files of these feeds are there with the length and the checksum that the index tells."""
    try:
        index = json.loads((folder / INDEX).read_text(encoding="utf-8"))
        return all(_checksum(_track(folder, key)) == tuple(index[key]) for key in keys)
    except (OSError, ValueError, KeyError, TypeError):
        return False


def _make_in_memory(keys: Sequence[str], place: Path, error: OSError, progress: Progress | None) -> Music:
    kept = {part.key: feed for part, feed in render(progress) if part.key in keys}
    reason = error.strerror or str(error)
    note = (
        f"The demo's music could not be kept in {place} ({reason}), so it plays from memory and is made anew "
        "at the next start."
    )
    music = Music(keys, kept=kept, note=note)
    _in_memory[:] = [music]
    return music


def _fill(folder: Path, progress: Progress | None) -> None:
    """Make every feed, write each into a folder of another name, then rename that. Raises OSError."""
    partial = folder.with_name(f"{folder.name}{PARTIAL}{os.getpid()}-{time.monotonic_ns()}")
    partial.mkdir(parents=True)
    try:
        index: dict[str, tuple[int, int]] = {}
        for part, feed in render(progress):
            path = _track(partial, part.key)
            with path.open("wb") as file:
                feed.astype(SAMPLE, copy=False).tofile(file)
            index[part.key] = _checksum(path)
        (partial / INDEX).write_text(json.dumps(index), encoding="utf-8")
        _publish(partial, folder)
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def _publish(partial: Path, folder: Path) -> None:
    """Put the finished folder in its place, unless another program was faster."""
    if folder.exists() and not is_whole(folder, tuple(CHANNELS)):
        shutil.rmtree(folder)
    try:
        partial.rename(folder)
    except OSError:
        if not is_whole(folder, tuple(CHANNELS)):
            raise


def _clear_old(place: Path, folder: Path) -> None:
    """Take away the music of earlier versions and what a killed program left half made."""
    for other in place.glob(f"{PREFIX}*"):
        try:
            busy = PARTIAL in other.name and time.time() - other.stat().st_mtime < ABANDONED_SECONDS
        except OSError:
            continue
        if other != folder and not busy:
            shutil.rmtree(other, ignore_errors=True)


def _check_room(place: Path) -> None:
    """Raise OSError before the work rather than after it when the disk is too full."""
    place.mkdir(parents=True, exist_ok=True)
    if shutil.disk_usage(place).free < ALL_BYTES:
        raise OSError(errno.ENOSPC, f"{ALL_BYTES / 1e6:.0f} MB are needed there")


def _track(folder: Path, key: str) -> Path:
    return folder / f"{key}.f32"


def _checksum(path: Path) -> tuple[int, int]:
    """Length in bytes and CRC-32."""
    length = checksum = 0
    with path.open("rb") as file:
        while piece := file.read(PIECE_BYTES):
            checksum = zlib.crc32(piece, checksum)
            length += len(piece)
    return length, checksum


def _fingerprint() -> str:
    """A name for the code that makes the music."""
    digest = hashlib.sha256()
    here = Path(__file__).parent
    for name in SOURCES:
        path = here / f"{name}.py"
        digest.update(path.read_bytes() if path.exists() else name.encode())
    return digest.hexdigest()[:12]
