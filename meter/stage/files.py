"""Before and after a stage as two sound files: read, checked, lined up stretch by stretch."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dsp.core.lag import find_lag
from dsp.core.types import CEILING, FloatArray
from dsp.stage.alignment import Alignment, line_up, overlapping
from dsp.stage.delay_moves import DelayMoves, delay_moves, usual_run
from dsp.stage.stage_stream import StageStream
from meter.audio.file import open_blocks
from meter.stage.findings import StageFindings
from meter.stage.study import stage

Sound = NDArray[np.float32]

LONGEST_LAG_SECONDS = 0.5
SEARCHED_SECONDS = 10.0
NEAR_FRAMES = 8
COARSE_HZ, FAR_SECONDS = 3000, 60.0
"""Files that start further apart are lined up at a low rate, only to say how far."""
BLOCK_FRAMES = 48_000
MOST_SAMPLES = 60_000_000
"""Of one file, 240 MB: ten minutes in stereo at 48 kHz."""
LEAST_SECONDS = 2.0
SILENCE = 1e-6
WANDERS = "The delay wanders: the stage moves in time, which counts as added."


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
        raise CompareError(_unrelated(sides))
    before, after = overlapping(sides.before, sides.after, round(alignment.lag_frames))
    moves = delay_moves(before, after, rate_hz)
    stream = StageStream(rate_hz, before.shape[1])
    for number, run in enumerate(_runs(moves, len(before))):
        if number:
            stream.cut()
        for start in range(run.start, run.stop, BLOCK_FRAMES):
            place = slice(start, min(start + BLOCK_FRAMES, run.stop))
            stream.push(_double(before[place]), _double(after[place]))
    return stage(stream.stretch(), alignment, rate_hz, (*sides.notes, *_delay_notes(alignment, moves, rate_hz)))


def _runs(moves: DelayMoves, frames: int) -> Iterator[range]:
    """Stretches in which the delay is the usual one."""
    for left_out, numbers in groupby(range(len(moves.left_out)), key=lambda number: bool(moves.left_out[number])):
        if not left_out:
            inside = list(numbers)
            yield range(inside[0] * moves.piece, min((inside[-1] + 1) * moves.piece, frames))


def _unrelated(sides: TwoSides) -> str:
    """Why the two cannot be lined up, with the fix."""
    factor = max(1, sides.rate_hz // COARSE_HZ)
    most = round(FAR_SECONDS * sides.rate_hz)
    slow = [_double(_decimated(side[:most], factor)) for side in (sides.before, sides.after)]
    size = max(len(side) for side in slow)
    first, second = (np.pad(side, ((0, size - len(side)), (0, 0))) for side in slow)
    far = find_lag(first, second, size - 1)
    seconds = far.frames * factor / sides.rate_hz
    if far.sure and abs(seconds) > LONGEST_LAG_SECONDS:
        late = f"{abs(seconds):.2f} s {'later' if seconds > 0.0 else 'earlier'}"
        return f"After is {late} than before, more than half a second; export both from the same bar."
    return (
        "Before and after do not correlate within half a second either way: these are not the two sides of one "
        "stage, or its delay moves too far; choose files of one take, exported from the same bar."
    )


def _decimated(sound: Sound, factor: int) -> Sound:
    whole = len(sound) // factor * factor
    return np.asarray(sound[:whole].reshape(-1, factor, sound.shape[1]).mean(axis=1))


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
    found = line_up(_double(sides.before[place]), _double(sides.after[place]), longest)
    return _settled(sides, place, found) if found.related else found


def _settled(sides: TwoSides, place: slice, found: Alignment) -> Alignment:
    """The lag that most of it has: with two in turn, what fits all together best may be neither."""
    lag = round(found.lag_frames)
    before, after = overlapping(sides.before[place], sides.after[place], lag)
    more, run = usual_run(before, after, sides.rate_hz)
    if more == 0:
        return found
    start = max(run.start, -more)
    first, second = overlapping(before[start : run.stop], after[start + more : run.stop + more], 0)
    fine = line_up(_double(first), _double(second), NEAR_FRAMES)
    if not fine.related:
        return found
    return replace(fine, lag_frames=lag + more + fine.lag_frames)


def _delay_notes(first: Alignment, moves: DelayMoves, rate_hz: int) -> tuple[str, ...]:
    if moves.wanders:
        return (WANDERS,)
    if not moves.left_out.any():
        return ()
    piece = int(np.flatnonzero(moves.frames)[0])
    minutes, seconds = divmod(piece * moves.piece // rate_hz, 60)
    lag = round(first.lag_frames)
    delays = f"{lag} to {lag + int(moves.frames[piece])} samples"
    left_out = f"{moves.left_out.sum() * moves.piece / rate_hz:.1f} s with another delay are left out"
    return (f"The delay changes from {delays} at {minutes}:{seconds:02}; {left_out}.",)
