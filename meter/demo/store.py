"""The rendered music: made once, cached in the user's cache folder, read in pieces; from memory where that fails.

The folder's name has a hash of the code that makes the music, so a changed score is rendered again. One raw file per
feed (float32, little endian, interleaved) and an index that is written last: without a whole index there is no
cache. A folder is filled under another name and renamed, so that another program never reads half of it.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import time
import zlib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
import platformdirs

from meter.demo.parts import BEFORE, MIX, PARTS, STAGES, TOTAL_FRAMES, Part, Stage
from meter.demo.render import Progress, render
from meter.demo.room import Feed

SOURCES = ("parts", "score", "partials", "instruments", "voice", "room", "ensemble", "stages", "render")
INDEX = "index.json"
SAMPLE = np.dtype("<f4")
FILES: tuple[Part | Stage, ...] = (MIX, *PARTS, *STAGES)
CHANNELS = {each.key: each.channels for each in FILES}
SUMS = {BEFORE + stage.key: stage.before for stage in STAGES}
"""Feeds without a file: sums of others, of one number of channels."""
ALL_BYTES = sum(CHANNELS.values()) * TOTAL_FRAMES * SAMPLE.itemsize
PIECE_BYTES = 1 << 20
ABANDONED_SECONDS = 3600.0
PREFIX, PARTIAL = "demo-", ".partial-"


class Music:
    """The rendered scenario. ``keys`` are its feeds in order of columns; ``note`` is one sentence or empty.

    ``folder`` has the feeds' files, or ``kept`` the feeds.
    """

    def __init__(
        self, keys: Sequence[str], folder: Path | None = None, kept: Mapping[str, Feed] | None = None, note: str = ""
    ) -> None:
        self.keys = tuple(keys)
        self.note = note
        self.frames = TOTAL_FRAMES
        self.channels = sum(_width(key) for key in self.keys)
        self._folder = folder
        self._kept = kept or {}

    def read(self, start: int, frames: int) -> Feed:
        """Read ``frames`` frames from ``start`` on, looped; a new array ``(frames, channels)``.

        Raises OSError when the cache was removed.
        """
        block = np.empty((frames, self.channels), dtype=np.float32)
        done = 0
        while done < frames:
            at = (start + done) % self.frames
            count = min(frames - done, self.frames - at)
            column = 0
            for key in self.keys:
                pieces = [self._piece(each, at, count) for each in SUMS.get(key, (key,))]
                block[done : done + count, column : column + _width(key)] = np.sum(pieces, axis=0)
                column += _width(key)
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
"""At most one, so that music without a cache is rendered once per process."""


def prepare(progress: Progress | None = None, keys: Sequence[str] = (MIX.key,), cache: Path | None = None) -> Music:
    """Return the music, rendered first if ``cache`` (default: the user's cache folder) has no whole copy.

    ``progress`` is called with the share done while it is rendered, about ten seconds. Raises KeyError for an unknown
    feed. Without a usable disk the music is kept in memory.
    """
    unknown = set(keys) - set(CHANNELS) - set(SUMS)
    if unknown:
        raise KeyError(", ".join(sorted(unknown)))
    place = cache or default_cache()
    folder = place / f"{PREFIX}{_fingerprint()}"
    try:
        if not is_whole(folder, _stored(keys)):
            for music in _in_memory:
                if _stored(keys) <= _stored(music.keys):
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


def _stored(keys: Iterable[str]) -> set[str]:
    """The feeds with files that these are made of."""
    return {each for key in keys for each in SUMS.get(key, (key,))}


def _width(key: str) -> int:
    return CHANNELS[SUMS.get(key, (key,))[0]]


def is_whole(folder: Path, keys: Iterable[str]) -> bool:
    """True when the files of these feeds have the length and the checksum in the index."""
    try:
        index = json.loads((folder / INDEX).read_text(encoding="utf-8"))
        return all(_checksum(_track(folder, key)) == tuple(index[key]) for key in keys)
    except (OSError, ValueError, KeyError, TypeError):
        return False


def _make_in_memory(keys: Sequence[str], place: Path, error: OSError, progress: Progress | None) -> Music:
    kept = {part.key: feed for part, feed in render(progress) if part.key in _stored(keys)}
    reason = error.strerror or str(error)
    note = (
        f"The demo's music could not be kept in {place} ({reason}), so it plays from memory and is made again "
        "at the next start; make room there or check the folder's permissions."
    )
    music = Music(keys, kept=kept, note=note)
    _in_memory[:] = [music]
    return music


def _fill(folder: Path, progress: Progress | None) -> None:
    """Render every feed into a folder of another name, then rename that. Raises OSError."""
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
    """Rename the finished folder to its place, unless another program has put one there."""
    if folder.exists() and not is_whole(folder, tuple(CHANNELS)):
        shutil.rmtree(folder)
    try:
        partial.rename(folder)
    except OSError:
        if not is_whole(folder, tuple(CHANNELS)):
            raise


def _clear_old(place: Path, folder: Path) -> None:
    """Remove the music of earlier versions and unfinished folders of killed programs."""
    for other in place.glob(f"{PREFIX}*"):
        try:
            busy = PARTIAL in other.name and time.time() - other.stat().st_mtime < ABANDONED_SECONDS
        except OSError:
            continue
        if other != folder and not busy:
            shutil.rmtree(other, ignore_errors=True)


def _check_room(place: Path) -> None:
    """Raise OSError before the work when the disk is too full."""
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
    """Hash of the code that makes the music."""
    digest = hashlib.sha256()
    here = Path(__file__).parent
    for name in SOURCES:
        path = here / f"{name}.py"
        digest.update(path.read_bytes() if path.exists() else name.encode())
    return digest.hexdigest()[:12]
