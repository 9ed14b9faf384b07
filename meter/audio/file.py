"""Sound files: a block reader in constant memory, and a file as a source in real time or as fast as possible.

Formats are those of libsndfile (WAV, RF64, AIFF, FLAC, Ogg Vorbis, MP3 and others). Arrays are
``(frames, channels)`` with full scale 1.0. A truncated file is read as far as it goes, and ``note`` has a sentence.
"""

from __future__ import annotations

import os
import re
import stat
import sys
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from dsp.core.channel_roles import ChannelOrder
from meter.audio.channel_order import channel_order
from meter.audio.pace import Block, Pacer
from meter.audio.ring_buffer import Producer
from meter.audio.source import MOST_CHANNELS, SourceError, SourceInfo, SourceRequest, check_rate

Samples = NDArray[Any]
DEFAULT_BLOCK_FRAMES = 65_536
LIVE_BLOCKS_PER_SECOND = 50
"""Blocks of 20 ms in real time, as a device delivers."""
PIECE_FRAMES = 4096
"""Frames of one read: damage costs the rest of its piece, not of its block."""
UNKNOWN_LENGTHS = (0xFFFFFFFF, 0x7FFFFFFF)
"""Lengths in the header of a file that was streamed (common practice)."""
LEAST_BITS_PER_SECOND = {"OGG": 200, "FLAC": 100, "MP3": 1000, "MPEG": 1000}
"""Lower bounds of the bit rate by libsndfile's name of the format. Digital silence, measured, takes 170 (FLAC at
8 kHz) to 1,900 (Opus). A header that claims more sound than this allows is wrong."""
CLAIMED_LENGTH = re.compile(r": (\d+) \(should be (\d+)\)")
OTHER_SIGNS = ("Calculated frame count", "lacks an end-of-stream bit")


class BlockReader:
    """An open sound file. Use it as a context manager; iterate it for blocks, or call ``read``.

    ``rate_hz``, ``channels``, ``frames`` (as the header claims, within what the file's size allows) and ``order``
    (of the channels) are attributes; ``note`` is one sentence when the file is shorter than it claims, otherwise
    empty, and is complete after the last block.
    """

    def __init__(
        self, path: Path, frames: int = DEFAULT_BLOCK_FRAMES, dtype: Literal["float32", "float64"] = "float64"
    ) -> None:
        if frames < 1:
            raise ValueError("A block needs at least 1 frame.")
        self.path = path
        self._block_frames = frames
        self._dtype = dtype
        self._file = _open_sound(path)
        self.rate_hz = int(self._file.samplerate)
        self.channels = int(self._file.channels)
        self._claimed_frames = int(self._file.frames)
        self._most_frames = _most_frames(path, str(self._file.format), self.rate_hz)
        self.frames = min(self._claimed_frames, self._most_frames)
        self.frames_read = 0
        log = self._file.extra_info
        self.note = _header_note(path, log)
        self.order: ChannelOrder = channel_order(path, str(self._file.format), log, self.channels)
        try:
            _check_supported(path, self.rate_hz, self.channels, self.frames)
        except SourceError:
            self.close()
            raise

    def read(self, frames: int | None = None) -> Samples:
        """Up to ``frames`` (default: the block size) frames, a new array; no rows at the end of the file."""
        wanted = self._block_frames if frames is None else frames
        wanted = min(wanted, self._most_frames - self.frames_read)
        block = np.empty((wanted, self.channels), dtype=self._dtype)
        filled = 0
        while filled < wanted and (count := self._fill(block[filled : filled + PIECE_FRAMES])):
            filled += count
        self.frames_read += filled
        if not self.note and self.frames_read == self._most_frames:
            self.note = _claim_note(self.path, self.frames_read / self.rate_hz, self._claimed_frames / self.rate_hz)
        elif filled < wanted and not self.note and self.frames_read < self._claimed_frames:
            self.note = _short_note(self.path, self.frames_read / self.rate_hz, self._claimed_frames / self.rate_hz)
        return block[:filled]

    def _fill(self, piece: Samples) -> int:
        try:
            return len(self._file.read(out=piece))
        except RuntimeError:  # soundfile's own error is one; damage in the middle of a file ends it
            return 0

    def rewind(self) -> None:
        """Go back to the first frame."""
        self._file.seek(0)
        self.frames_read = 0

    def close(self) -> None:
        """Close the file; may be called twice."""
        self._file.close()

    def __iter__(self) -> Iterator[Samples]:
        while len(block := self.read()):
            yield block

    def __enter__(self) -> BlockReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_blocks(
    path: str | Path, frames: int = DEFAULT_BLOCK_FRAMES, dtype: Literal["float32", "float64"] = "float64"
) -> BlockReader:
    """Open ``path`` for reading in blocks of ``frames`` frames. Raises SourceError with one sentence."""
    return BlockReader(Path(path), frames, dtype)


class FileSource:
    """A file as a source. Options: ``loop`` (bool) restarts at the end, ``fast`` (bool) ignores the clock."""

    def __init__(self, request: SourceRequest) -> None:
        self._path = Path(request.name)
        self._loop = bool(request.options.get("loop", False))
        self._fast = bool(request.options.get("fast", False))
        self._reader: BlockReader | None = None
        self._pacer: Pacer | None = None
        self._block_frames = 1
        self._rounds = 0

    def open(self) -> SourceInfo:
        """Read the header. Raises SourceError."""
        self.stop()
        reader = open_blocks(self._path, dtype="float32")
        self._reader = reader
        self._rounds = 0
        return SourceInfo(
            self._path.name, "file", reader.rate_hz, reader.channels, live=False, note=reader.note,
            roles=reader.order.roles if reader.order.origin != "count" else (),
        )  # fmt: skip

    def start(self, producer: Producer) -> None:
        """Start the thread that reads; ``open`` comes first."""
        if self._reader is None:
            self.open()
        assert self._reader is not None
        rate_hz = self._reader.rate_hz
        frames = DEFAULT_BLOCK_FRAMES if self._fast else max(1, rate_hz // LIVE_BLOCKS_PER_SECOND)
        self._block_frames = min(frames, max(1, producer.capacity // 2))
        self._pacer = Pacer(self._next_block, rate_hz, fast=self._fast)
        self._pacer.start(producer)

    def stop(self) -> None:
        """End the thread and close the file; may be called twice."""
        if self._pacer is not None and not self._pacer.stop():
            self._reader = None  # closing the file under the reading thread could crash
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    def ended(self) -> bool:
        """True after the last frame is in the ring buffer."""
        return self._pacer is not None and self._pacer.done()

    def fault(self) -> str:
        """One sentence if reading failed, otherwise empty; a truncated file has its sentence in ``note``."""
        if self._pacer is not None and self._pacer.error is not None:
            return f"Reading '{self._path.name}' failed ({self._pacer.error}); check that the file is still there."
        return ""

    @property
    def note(self) -> str:
        """One sentence if the file is shorter than its header claims."""
        return self._reader.note if self._reader is not None else ""

    def statistics(self) -> dict[str, float]:
        """Counters of the thread, and ``rounds`` of the loop."""
        counters = self._pacer.statistics() if self._pacer is not None else {}
        return {**counters, "rounds": self._rounds}

    def _next_block(self) -> Block | None:
        reader = self._reader
        if reader is None:
            return None
        block = reader.read(self._block_frames)
        if not len(block) and self._loop and reader.frames_read:
            reader.rewind()
            self._rounds += 1
            block = reader.read(self._block_frames)
        return block if len(block) else None


def _open_sound(path: Path) -> Any:
    try:
        import soundfile
    except (ImportError, OSError) as error:
        raise SourceError(
            f"Sound files cannot be read because libsndfile is missing ({error}); "
            "run `pip install --force-reinstall soundfile`."
        ) from error
    _check_plain_file(path)

    class ForwardFile(soundfile.SoundFile):  # type: ignore[misc]  # the library has no types
        """Reader without the library's seek after each read, which corrupts MP3 (measured)."""

        def seekable(self) -> bool:
            return False

    try:
        # Bytes, so that names in another encoding than the system's are found too.
        return ForwardFile(os.fsencode(path) if os.name == "posix" else path)
    except (RuntimeError, TypeError, ValueError) as error:
        raise SourceError(
            f"'{path.name}' is not a sound file we can read, or its start is damaged; "
            "give a WAV, RF64, AIFF, FLAC, Ogg or MP3 file."
        ) from error


def is_folder(path: Path) -> bool:
    """True for a folder; False also for a path without access, which opening it as a file explains."""
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def is_file(path: Path) -> bool:
    """True for an ordinary file; False also for a path without access."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _check_plain_file(path: Path) -> None:
    """Raise SourceError for a path that is no readable file; libsndfile's own message is empty for these."""
    try:
        status = path.stat()
    except (FileNotFoundError, NotADirectoryError) as error:
        raise SourceError(f"There is no file '{path}'; check the name and the folder.") from error
    except (OSError, ValueError) as error:  # a link to itself, a name too long, a folder without access
        reason = getattr(error, "strerror", None) or error
        raise SourceError(f"'{path}' cannot be read ({reason}); check the name and its folders.") from error
    if stat.S_ISDIR(status.st_mode):
        raise SourceError(f"'{path}' is a folder; name the sound files in it.")
    if not stat.S_ISREG(status.st_mode):
        raise SourceError(f"'{path}' is not an ordinary file; save the sound to a WAV file first.")
    if not status.st_size:  # not found out by reading: some files of the system make a reader wait
        raise SourceError(f"'{path.name}' is empty (0 bytes); export it again.")
    try:
        with path.open("rb"):
            pass
    except OSError as error:
        raise SourceError(f"'{path}' cannot be read ({error.strerror}); check its permissions.") from error


def _check_supported(path: Path, rate_hz: int, channels: int, frames: int) -> None:
    check_rate(path.name, rate_hz)
    if channels < 1:
        raise SourceError(f"'{path.name}' has no channels; export it again.")
    if channels > MOST_CHANNELS:
        raise SourceError(
            f"'{path.name}' has {channels} channels; 1 to {MOST_CHANNELS} are supported, "
            "so split it into several files."
        )
    if frames < 1:
        raise SourceError(f"'{path.name}' holds no sound (0 frames); export it again.")


def _most_frames(path: Path, file_format: str, rate_hz: int) -> int:
    """Most frames that a compressed file of this size can hold; no limit for other formats."""
    least = LEAST_BITS_PER_SECOND.get(file_format)
    if least is None:
        return sys.maxsize
    try:
        return max(1, path.stat().st_size * 8 * rate_hz // least)
    except OSError:  # deleted since it was opened, but still readable
        return sys.maxsize


def _claim_note(path: Path, read_seconds: float, claimed_seconds: float) -> str:
    return (
        f"'{path.name}' claims {claimed_seconds:,.0f} seconds, more than a compressed file of its size can hold; "
        f"the first {read_seconds:,.0f} were measured, export it again."
    )


def _header_note(path: Path, log: str) -> str:
    """The sentence for a header with more frames than the file, from libsndfile's own log."""
    claims = ((int(claimed), int(held)) for claimed, held in CLAIMED_LENGTH.findall(log))
    longer = any(claimed > held + 1 and claimed not in UNKNOWN_LENGTHS for claimed, held in claims)
    if longer or any(sign in log for sign in OTHER_SIGNS):
        return (
            f"'{path.name}' is shorter than its header says; what is there was measured, export it again to be sure."
        )
    return ""


def _short_note(path: Path, read_seconds: float, claimed_seconds: float) -> str:
    return (
        f"'{path.name}' breaks off after {read_seconds:.2f} of {claimed_seconds:.2f} seconds; "
        "what is there was measured, export it again to be sure."
    )
