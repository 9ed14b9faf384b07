"""One reference file to one-second sections, a piece at a time, with a cache of the results."""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Callable, Generator
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
import platformdirs
from numpy.typing import NDArray

from dsp.core.types import CEILING, FloatArray, Spec
from dsp.reference.sections import COLUMNS, Sections, SectionStream
from dsp.stereo.correlation import pair_columns
from meter.audio.file import BlockReader, open_blocks
from meter.audio.source import SourceError
from meter.reference_files import MOST_SECONDS
from meter.whole_file import write_whole

VERSION = 1
"""Of the analysis: another one makes cached results unused."""
SUFFIX = ".sections"
MOST_FILE_BYTES = 1_000_000
MOST_CACHED = 100
SAMPLED_BYTES = 1 << 20
"""Content is told apart by its first and last megabyte, with size and time of change."""
MOST_VALUE = 1e9
BLOCK_FRAMES = 48_000

Steps = Generator[float, None, "Analysed"]


@dataclass(frozen=True)
class Analysed:
    """The sections of a file and what is to be said of it; ``seconds`` is its length."""

    sections: Sections
    seconds: float
    notes: tuple[str, ...] = ()


class _Stored(msgspec.Struct, forbid_unknown_fields=True):
    version: int
    rate_hz: int
    stereo: bool
    row_seconds: float
    seconds: float
    notes: tuple[str, ...]
    rows: bytes


def default_cache() -> Path:
    """The user's cache folder of this program."""
    return Path(platformdirs.user_cache_dir("earwitness", appauthor=False)) / "references"


def analysed(path: Path, cache: Path | None, progress: Callable[[float], None] = lambda _share: None) -> Analysed:
    """The analysis of a file, from the cache if it is there; ``progress`` is told the share done.

    Raises SourceError for a file that cannot be read.
    """
    steps = analysis_steps(path, cache)
    while True:
        try:
            progress(next(steps))
        except StopIteration as end:
            found: Analysed = end.value
            return found


def analysis_steps(path: Path, cache: Path | None) -> Steps:
    """Yield the share done, 0 to 1, after each second or so of sound; return the analysis. Raises SourceError.

    With a ``cache`` folder results are taken from there and kept there; a cache that cannot be used is left alone.
    """
    with open_blocks(path, BLOCK_FRAMES, dtype="float32") as reader:
        place = _place_of(path, cache)
        if place is not None and (found := read_cached(place)) is not None:
            return found
        found = yield from _read(reader)
    if place is not None:
        _keep(place, found)
    return found


def _read(reader: BlockReader) -> Steps:
    spec = Spec(reader.rate_hz, reader.channels, reader.order.roles)
    columns = pair_columns(spec) or [0]
    stream = SectionStream(reader.rate_hz, len(columns))
    rows: list[FloatArray] = []
    notes: list[str] = []
    invalid = 0
    most = round(MOST_SECONDS * reader.rate_hz)
    while reader.frames_read < most and len(block := reader.read()):
        sound = block[:, columns].astype(np.float64)
        wrong = ~(np.abs(sound) <= CEILING)
        if wrong.any():
            sound[wrong] = 0.0
            invalid += int(wrong.sum())
        rows += stream.process(sound)
        yield min(1.0, reader.frames_read / max(1, min(reader.frames, most)))
    name, seconds = reader.path.name, reader.frames_read / reader.rate_hz
    if reader.frames_read >= most and len(reader.read(1)):
        notes.append(f"Of '{name}' the first {MOST_SECONDS / 60.0:.0f} minutes are analysed.")
    if reader.note:
        notes.append(reader.note)
    if invalid:
        notes.append(f"{invalid:,} samples of '{name}' are invalid and count as silence.")
    if reader.channels > len(columns):
        notes.append(f"Of the {reader.channels} channels of '{name}' left and right are compared.")
    # As it is kept, so that a cached analysis reads the same.
    kept = np.array(rows, dtype=np.float32).reshape(-1, COLUMNS).astype(np.float64)
    sections = Sections(reader.rate_hz, len(columns) == 2, stream.row_seconds, kept)
    return Analysed(sections, seconds, tuple(notes))


def file_key(path: Path) -> str:
    """Name of a file's analysis: size, time of change and content. Raises OSError."""
    status = path.stat()
    digest = hashlib.blake2b(f"{VERSION} {status.st_size} {status.st_mtime_ns} ".encode(), digest_size=20)
    with path.open("rb") as file:
        digest.update(file.read(SAMPLED_BYTES))
        if status.st_size > SAMPLED_BYTES:
            file.seek(max(SAMPLED_BYTES, status.st_size - SAMPLED_BYTES))
            digest.update(file.read(SAMPLED_BYTES))
    return digest.hexdigest()


def _place_of(path: Path, cache: Path | None) -> Path | None:
    if cache is None:
        return None
    try:
        return cache / f"{file_key(path)}{SUFFIX}"
    except OSError:
        return None


def read_cached(place: Path) -> Analysed | None:
    """A cached analysis; None where there is none that can be trusted. Never raises."""
    try:
        if not place.is_file() or place.stat().st_size > MOST_FILE_BYTES:
            return None
        stored = msgspec.msgpack.decode(place.read_bytes(), type=_Stored)
        rows = np.frombuffer(stored.rows, dtype="<f4").reshape(-1, COLUMNS).astype(np.float64)
    except (OSError, ValueError, msgspec.MsgspecError, RecursionError):
        return None
    if not _is_sound(stored, rows):
        return None
    with contextlib.suppress(OSError):
        os.utime(place)  # the least recently used are dropped
    return Analysed(Sections(stored.rate_hz, stored.stereo, stored.row_seconds, rows), stored.seconds, stored.notes)


def _is_sound(stored: _Stored, rows: NDArray[np.float64]) -> bool:
    """Whether a stored analysis can have been written by this version."""
    try:
        expected = SectionStream(stored.rate_hz, 1).row_seconds if 1000 <= stored.rate_hz <= 768_000 else np.nan
    except ValueError:
        return False
    length = len(rows) * expected
    return (
        stored.version == VERSION
        and stored.row_seconds == expected
        and length <= min(stored.seconds, MOST_SECONDS) + 2.0
        and bool((rows >= 0.0).all() and (rows <= MOST_VALUE).all())
        and all(len(note) < 500 and note.isprintable() for note in stored.notes)
        and len(stored.notes) < 10
    )


def _keep(place: Path, found: Analysed) -> None:
    """Write an analysis; a full or read-only disk only means that it is made again."""
    sections = found.sections
    stored = _Stored(
        VERSION, sections.rate_hz, sections.stereo, sections.row_seconds, found.seconds, found.notes,
        sections.rows.astype("<f4").tobytes(),
    )  # fmt: skip
    with contextlib.suppress(OSError):
        write_whole(place, msgspec.msgpack.encode(stored))
        kept = sorted(place.parent.glob(f"*{SUFFIX}"), key=lambda each: each.stat().st_mtime)
        for old in kept[:-MOST_CACHED]:
            old.unlink()


def fault_of(path: Path, error: SourceError) -> str:
    """One sentence for a reference that cannot be read."""
    text = str(error)
    return text if path.name in text else f"'{path.name}': {text}"
