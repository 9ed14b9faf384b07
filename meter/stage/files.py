"""Before and after a stage as two sound files: read, checked, lined up stretch by stretch."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import CEILING, FloatArray
from dsp.stage.alignment import Alignment, correlation_at, line_up
from dsp.stage.stage_stream import StageStream
from meter.audio.file import open_blocks
from meter.stage.findings import StageFindings
from meter.stage.study import stage

Sound = NDArray[np.float32]

LONGEST_LAG_SECONDS = 0.5
SEARCHED_SECONDS = 10.0
PIECE_SECONDS = 4.0
"""The lag is looked for again in each piece: a bypass may have another latency."""
BLOCK_FRAMES = 48_000
MOST_SAMPLES = 60_000_000
"""Of one file, 240 MB: ten minutes in stereo at 48 kHz."""
LEAST_SECONDS = 2.0
SILENCE = 1e-6
AS_GOOD = 0.97
"""A lag in a piece is another one only where it correlates better than the first one by this factor (judgement): a
repeated pattern fits at several."""
ONE_FRAME = 1.5


class CompareError(Exception):
    """Two files that cannot be compared; the text is one sentence that names them and the fix."""


@dataclass(frozen=True)
class TwoSides:
    """Sound of both sides, ``(frames, channels)`` of one rate and channel count, from their first frames on."""

    rate_hz: int
    before: Sound
    after: Sound
    notes: tuple[str, ...] = ()


def read_sides(before: Path, after: Path) -> TwoSides:
    """Read both files. Raises CompareError, and SourceError for a file that cannot be read."""
    (first, rate_hz, notes), (second, other_hz, more) = _read(before), _read(after)
    if rate_hz != other_hz:
        raise CompareError(
            f"'{before.name}' has {rate_hz:,} Hz and '{after.name}' {other_hz:,} Hz; export both at one rate."
        )
    for path, sound in ((before, first), (after, second)):
        if not np.abs(sound).max(initial=0.0) > SILENCE:
            raise CompareError(f"'{path.name}' is silent; choose a stretch that plays on both sides.")
    notes = (*notes, *more)
    if first.shape[1] != second.shape[1]:
        if {first.shape[1], second.shape[1]} != {1, 2}:
            counts = f"{first.shape[1]} and {second.shape[1]} channels"
            raise CompareError(f"'{before.name}' and '{after.name}' have {counts}; export both with the same.")
        first, second = (sound.mean(axis=1, keepdims=True, dtype=np.float32) for sound in (first, second))
        notes = (*notes, "One side is mono and the other stereo; both are compared in mono.")
    return TwoSides(rate_hz, first, second, notes)


def _read(path: Path) -> tuple[Sound, int, tuple[str, ...]]:
    notes: list[str] = []
    with open_blocks(path, dtype="float32") as reader:
        most = MOST_SAMPLES // reader.channels
        pieces: list[Sound] = []
        frames = 0
        while frames < most and len(block := reader.read(min(BLOCK_FRAMES, most - frames))):
            pieces.append(block)
            frames += len(block)
        longer = frames >= most and len(reader.read(1)) > 0
        sound = np.concatenate(pieces) if pieces else np.empty((0, reader.channels), dtype=np.float32)
        if reader.note:
            notes.append(reader.note)
        rate_hz = reader.rate_hz
    invalid = ~(np.abs(sound) <= CEILING)
    if invalid.any():
        sound[invalid] = 0.0
        notes.append(f"{int(invalid.sum()):,} samples of '{path.name}' are invalid and count as silence.")
    if longer:
        notes.append(f"Of '{path.name}' the first {frames / rate_hz:.0f} s are compared.")
    return sound, rate_hz, tuple(notes)


def compare(sides: TwoSides) -> StageFindings:
    """Line up and study. Raises CompareError where the two are too short or unrelated."""
    rate_hz, frames = sides.rate_hz, min(len(sides.before), len(sides.after))
    if frames < LEAST_SECONDS * rate_hz:
        raise CompareError(f"Both sides sound together for {frames / rate_hz:.1f} s; 2 s or more are needed.")
    alignment = _first_alignment(sides, frames)
    if not alignment.related:
        raise CompareError(
            "Before and after do not correlate within half a second either way: these are not the two sides of one "
            "stage; choose files of one take, exported from the same bar."
        )
    stream = StageStream(rate_hz, sides.before.shape[1])
    lag = round(alignment.lag_frames)
    changes: list[tuple[float, float]] = []
    follows = True
    for before, after, piece in _pieces(sides, lag):
        if not piece.related:
            follows = False
            changes.append((before.start / rate_hz, piece.lag_frames))
            continue
        if not follows:
            stream.cut()
        follows = True
        for start in range(0, before.stop - before.start, BLOCK_FRAMES):
            place = slice(start, min(start + BLOCK_FRAMES, before.stop - before.start))
            stream.push(_double(sides.before[before][place]), _double(sides.after[after][place]))
    return stage(stream.stretch(), alignment, rate_hz, (*sides.notes, *_delay_notes(alignment, changes)))


def _double(sound: Sound) -> FloatArray:
    return sound.astype(np.float64)


def _first_alignment(sides: TwoSides, frames: int) -> Alignment:
    """From the ten seconds in which the sound before is loudest."""
    window = min(frames, round(SEARCHED_SECONDS * sides.rate_hz))
    power = np.einsum("fc,fc->f", sides.before[:frames], sides.before[:frames], dtype=np.float64)
    total = np.concatenate([[0.0], np.cumsum(power)])
    step = max(1, sides.rate_hz // 2)
    starts = np.arange(0, frames - window + 1, step)
    best = int(starts[np.argmax(total[starts + window] - total[starts])])
    place = slice(best, best + window)
    longest = min(window - 1, round(LONGEST_LAG_SECONDS * sides.rate_hz))
    return line_up(_double(sides.before[place]), _double(sides.after[place]), longest)


def _pieces(sides: TwoSides, lag: int) -> Iterator[tuple[slice, slice, Alignment]]:
    """Places of each piece in both, and whether its lag is still the first one; silence keeps it."""
    offset, start = max(0, lag), max(0, -lag)
    frames = min(len(sides.before) - start, len(sides.after) - offset)
    size = round(PIECE_SECONDS * sides.rate_hz)
    for begin in range(0, frames, size):
        end = min(begin + size, frames)
        before, after = slice(start + begin, start + end), slice(offset + begin, offset + end)
        yield before, after, _checked(_double(sides.before[before]), _double(sides.after[after]), sides.rate_hz)


def _checked(before: FloatArray, after: FloatArray, rate_hz: int) -> Alignment:
    """A lag of 0 where the piece still fits; otherwise its own lag, marked as not related."""
    silent = min(float(np.abs(side).max()) for side in (before, after)) <= SILENCE
    here = Alignment(0.0, 1.0, (), related=True)
    if silent or len(before) < 2 * rate_hz:
        return here
    own = line_up(before, after, round(LONGEST_LAG_SECONDS * rate_hz))
    moved = own.related and abs(own.lag_frames) > ONE_FRAME
    if not moved or correlation_at(before, after) >= AS_GOOD * own.correlation:
        return here
    return Alignment(own.lag_frames, own.correlation, own.inverted, related=False)


def _delay_notes(first: Alignment, changes: list[tuple[float, float]]) -> tuple[str, ...]:
    if not changes:
        return ()
    at, lag = changes[0]
    minutes, seconds = divmod(int(at), 60)
    delays = f"{first.lag_frames:.0f} to {first.lag_frames + lag:.0f} samples"
    left_out = f"{len(changes) * PIECE_SECONDS:.0f} s with another delay are left out"
    return (f"The delay changes from {delays} at {minutes}:{seconds:02}; {left_out}.",)
