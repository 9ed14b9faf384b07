"""Recognises a passage that was heard earlier in the sitting, and says how its tone has changed since.

A passage is ten seconds of band levels, ten readings a second. With the mean of each band taken away neither level
nor tone is left of it, only how the bands move: so the same music is found again though it is louder or brighter now,
which is what is to be measured. Likeness is the correlation coefficient of two such patterns over all bands. The
method is our own; on rendered music the same passage reads 0.97 and more, others to the same drums 0.85 and less.

Change of tone is the change of power in 20 to 120 Hz and in 2 to 8 kHz, each against 120 Hz to 2 kHz. The middle
is the reference, not the whole: most of the whole is lows, so that a change of the lows alone would move the
share of the top as well.

Everything heard is kept as sixteen-bit levels, ten hours at most. A search takes the oldest first and goes on hop by
hop, a piece of the past at a time, so that no single block is dear.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, rfft

from dsp.core.saved_state import SavedState, inside, of
from dsp.core.types import FloatArray
from dsp.core.units import power_to_db
from dsp.passages.passage_bands import BANDS, HOPS_PER_SECOND, LOWS, MIDDLE, TOP, PassageBands

HOPS_PER_FRAME = 4
FRAMES_PER_SECOND = HOPS_PER_SECOND // HOPS_PER_FRAME
PASSAGE_FRAMES = 10 * FRAMES_PER_SECOND
SEARCH_EVERY_HOPS = PASSAGE_FRAMES * HOPS_PER_FRAME
FIRST_SEARCH_HOPS = SEARCH_EVERY_HOPS + 8
"""The first hops of all have no whole window yet."""
QUERY_HOPS = SEARCH_EVERY_HOPS + HOPS_PER_FRAME - 1
"""Four queries, each a hop later than the last: one of them lies within 12.5 ms of what is remembered."""

LEAST_AGE_FRAMES = 60 * FRAMES_PER_SECOND
"""What was heard less than a minute before says nothing about ears."""
MOST_FRAMES = 10 * 3600 * FRAMES_PER_SECOND
HANDED_OUT_FRAMES = 2 * 3600 * FRAMES_PER_SECOND
"""The first two hours of a sitting are handed out by ``save_state``: what others are compared with, in 1.7 MB."""

LEAST_LIKENESS = 0.95
LEAST_MOVEMENT_DB = 2.0
"""Standard deviation about the bands' means; held chords and steady noise have less and cannot be told apart."""
LEAST_LEVEL_DB = -60.0
"""Mean power re 1.0 under which nothing is playing."""
PAUSE_DB = -40.0
MOST_PAUSE_FRAMES = FRAMES_PER_SECOND // 2
"""A stop in the middle would be the strongest movement of all, and any music that stops there would be alike."""

ONE_PLAY_FRAMES = 5 * 60 * FRAMES_PER_SECOND
"""A song repeats itself: within this of the first that is alike, the one that is most alike is taken."""

FLOOR_DB = -80.0
"""What moves under this is hiss and not music."""
STEP_DB = 0.01
LOST = np.iinfo(np.int16).min
SLICE_FRAMES = 4096
SLICE_STEP = SLICE_FRAMES - PASSAGE_FRAMES + 1

PARTS = {"low": LOWS, "middle": MIDDLE, "top": TOP}

Levels = NDArray[np.int16]
Outcome = Literal["listening", "no pattern", "not heard before", "same"]
"""Of the last ten seconds: not whole yet; quiet, steady or broken off; looked for in vain; found."""


@dataclass(frozen=True)
class SamePassage:
    """A passage now against the first time it was heard. Changes in dB, now over then; positive is more now.

    A change is NaN where there is next to nothing to compare, the top also where half the rate lies below 8 kHz.
    """

    seconds_ago: float
    likeness: float
    top_change_db: float
    low_change_db: float
    level_change_db: float


class PassageMemory:
    """Band levels of the sitting, ten frames a second; past ``capacity`` frames the oldest go."""

    def __init__(self, capacity: int = MOST_FRAMES) -> None:
        self._levels: Levels = np.full((BANDS, capacity), LOST, dtype=np.int16)
        self._capacity = capacity
        self.frames = 0
        """Frames taken so far; the newest is number ``frames - 1``."""

    @property
    def oldest(self) -> int:
        """Number of the first frame that is still kept."""
        return max(0, self.frames - self._capacity)

    def add(self, power: FloatArray) -> None:
        """Keep the band powers of one frame; one that holds a NaN is lost."""
        lost = bool(np.isnan(power).any())
        levels = LOST if lost else np.clip(np.round(power_to_db(power + 1e-16) / STEP_DB), -32_000, 32_000)
        self._levels[:, self.frames % self._capacity] = levels
        self.frames += 1

    def lose(self, frames: int) -> None:
        """Let frames pass that were lost."""
        columns = np.arange(self.frames, self.frames + min(frames, self._capacity)) % self._capacity
        self._levels[:, columns] = LOST
        # After a gap as long as all that is kept every column is lost, wherever the count goes on.
        self.frames += frames

    def save_state(self) -> SavedState:
        """The oldest that is kept."""
        stop = min(self.frames, self.oldest + HANDED_OUT_FRAMES)
        levels = self.levels(self.oldest, stop).copy() if stop > self.oldest else np.empty((BANDS, 0), np.int16)
        return {"frames": self.frames, "oldest": self.oldest, "levels": levels}

    def restore_state(self, kept: SavedState) -> None:
        """Go on from what ``save_state`` gave; the rest is lost."""
        first, levels = int(kept["oldest"]), kept["levels"]
        self.frames = int(kept["frames"])
        self._levels[:] = LOST
        self._levels[:, np.arange(first, first + levels.shape[1]) % self._capacity] = levels

    def levels(self, start: int, stop: int) -> Levels:
        """``(BANDS, frames)`` from ``start`` to ``stop`` in hundredths of a decibel, lost ones ``LOST``.

        Both must lie within what is kept.
        """
        first, last = start % self._capacity, (stop - 1) % self._capacity + 1
        if first < last:
            return self._levels[:, first:last]
        return np.concatenate([self._levels[:, first:], self._levels[:, :last]], axis=1)


class PassageQuery:
    """One passage, at four positions a hop apart, ready to be looked for. ``hops`` is ``(QUERY_HOPS, BANDS)``."""

    def __init__(self, hops: FloatArray) -> None:
        frames = np.stack([_frames(hops[shift : shift + SEARCH_EVERY_HOPS]) for shift in range(HOPS_PER_FRAME)])
        patterns = np.maximum(power_to_db(frames + 1e-16), FLOOR_DB)
        patterns -= patterns.mean(axis=2, keepdims=True)
        norms = np.sqrt(np.sum(patterns**2, axis=(1, 2)))
        self.power = hops.mean(axis=0)
        level = frames[0].sum(axis=0)
        self._pauses = int(np.count_nonzero(level < level.mean() * 10.0 ** (PAUSE_DB / 10.0)))
        self.movement_db = float(norms.min()) / np.sqrt(PASSAGE_FRAMES * BANDS)
        self._usable = self.movement_db >= LEAST_MOVEMENT_DB
        if self._usable:
            units = (patterns / norms[:, None, None]).astype(np.float32)
            self._transforms = np.conj(rfft(units, SLICE_FRAMES, axis=2))

    @property
    def has_pattern(self) -> bool:
        """False where nothing plays, it stops in between, or does not move enough to be known again."""
        loud_enough = float(power_to_db(self.power.sum())) >= LEAST_LEVEL_DB
        return self._usable and loud_enough and self._pauses <= MOST_PAUSE_FRAMES

    def likeness(self, levels: Levels) -> FloatArray:
        """Likeness to the passages that begin at each frame of ``levels``, for each position, ``(4, passages)``.

        ``levels`` is ``(BANDS, frames)`` with ``PASSAGE_FRAMES`` to ``SLICE_FRAMES`` frames. A passage that touches
        a lost frame reads 0.
        """
        lost = np.flatnonzero(levels[0] == LOST)
        past = np.maximum(levels * np.float32(STEP_DB), np.float32(FLOOR_DB))
        # About zero, so that single precision loses nothing; the mean of each passage is taken away below.
        past -= past.mean(axis=1, keepdims=True)
        past_transform = rfft(past, SLICE_FRAMES, axis=1)
        # Not by einsum, which is three times as slow on this shape.
        products = np.stack([(transform * past_transform).sum(axis=0) for transform in self._transforms])
        match = irfft(products, SLICE_FRAMES, axis=1)[:, : levels.shape[1] - PASSAGE_FRAMES + 1]
        means = _window_sums(past)
        energy = _window_sums((past * past).sum(axis=0, keepdims=True))[0]
        energy -= (means * means).sum(axis=0) / PASSAGE_FRAMES
        found = match / np.sqrt(np.maximum(energy, 1.0))
        for frame in lost:
            found[:, max(0, frame - PASSAGE_FRAMES + 1) : frame + 1] = 0.0
        return np.asarray(found)


class PassageFollower:
    """Follows a stream ``(frames, channels)`` and looks every ten seconds whether the last ten were heard before."""

    def __init__(self, rate_hz: int, channels: int, capacity: int = MOST_FRAMES) -> None:
        self._bands = PassageBands(rate_hz, channels)
        self._hop_seconds = self._bands.hop_frames / rate_hz
        self._has_top = rate_hz >= 2 * 8000
        self._capacity = capacity
        self.reset()

    def reset(self) -> None:
        """Forget the signal and the sitting."""
        self._bands.reset()
        self._memory = PassageMemory(self._capacity)
        self._recent = np.full((QUERY_HOPS, BANDS), np.nan)
        self._hops = 0
        self._search: Iterator[None] | None = None
        self.same: SamePassage | None = None
        """What the last search found, None if nothing."""
        self.outcome: Outcome = "listening"

    @property
    def hours_remembered(self) -> float:
        """How far back a passage can be found."""
        return (self._memory.frames - self._memory.oldest) * HOPS_PER_FRAME * self._hop_seconds / 3600.0

    def save_state(self) -> SavedState:
        """What is remembered of the sitting."""
        return {"hops": self._hops, **inside("memory", self._memory.save_state())}

    def restore_state(self, kept: SavedState) -> None:
        """Go on from what ``save_state`` gave."""
        self.reset()
        self._hops = int(kept["hops"])
        self._memory.restore_state(of("memory", kept))

    def process(self, block: FloatArray) -> None:
        """Take in a block."""
        for power in self._bands.process(block):
            self._take(power)

    def skip(self, frames: int) -> None:
        """Account for lost frames; a passage that holds any is not looked for."""
        lost = self._bands.skip(frames)
        before = self._hops // HOPS_PER_FRAME
        self._hops += lost
        self._recent[np.arange(self._hops - min(lost, QUERY_HOPS), self._hops) % QUERY_HOPS] = np.nan
        self._memory.lose(self._hops // HOPS_PER_FRAME - before)
        if lost >= SEARCH_EVERY_HOPS:
            self._end("listening")

    def _take(self, power: FloatArray) -> None:
        self._recent[self._hops % QUERY_HOPS] = power
        self._hops += 1
        if self._hops % HOPS_PER_FRAME == 0:
            self._memory.add(self._last_hops(HOPS_PER_FRAME).mean(axis=0))
        if (self._hops - FIRST_SEARCH_HOPS) % SEARCH_EVERY_HOPS == 0:
            self._begin()
        elif self._search is not None:
            next(self._search, None)

    def _last_hops(self, count: int) -> FloatArray:
        return np.asarray(self._recent[np.arange(self._hops - count, self._hops) % QUERY_HOPS])

    def _begin(self) -> None:
        hops = self._last_hops(QUERY_HOPS)
        whole = self._hops >= QUERY_HOPS and not np.isnan(hops).any()
        query = PassageQuery(hops) if whole else None
        if query is None:
            self._end("listening")
        elif not query.has_pattern:
            self._end("no pattern")
        else:
            self._search = self._look_for(query, self._hops)

    def _end(self, outcome: Outcome, same: SamePassage | None = None) -> None:
        self.outcome, self.same, self._search = outcome, same, None

    def _look_for(self, query: PassageQuery, now_hops: int) -> Iterator[None]:
        """Oldest first, one slice of the past at each step, until one is alike; then the best of that play."""
        first_hop = now_hops - QUERY_HOPS
        end = first_hop // HOPS_PER_FRAME - LEAST_AGE_FRAMES + PASSAGE_FRAMES
        start, alike = 0, False
        while not alike:
            start = max(start, self._memory.oldest)
            if start + PASSAGE_FRAMES > end:
                break
            likeness = query.likeness(self._memory.levels(start, min(start + SLICE_FRAMES, end))).max(axis=0)
            alike = bool(likeness.max() >= LEAST_LIKENESS)
            start += int(np.argmax(likeness >= LEAST_LIKENESS)) if alike else SLICE_STEP
            yield
        start = max(start, self._memory.oldest)
        if alike and start + PASSAGE_FRAMES <= end:
            self._end("same", self._best_of_play(query, first_hop, start, end))
        else:
            self._end("not heard before")

    def _best_of_play(self, query: PassageQuery, first_hop: int, start: int, end: int) -> SamePassage:
        levels = self._memory.levels(start, min(start + ONE_PLAY_FRAMES, end))
        likeness = query.likeness(levels)
        shift, at = np.unravel_index(int(np.argmax(likeness)), likeness.shape)
        hops_ago = first_hop + int(shift) - (start + int(at)) * HOPS_PER_FRAME
        then = levels[:, at : at + PASSAGE_FRAMES]
        return self._compare(query.power, then, hops_ago * self._hop_seconds, float(likeness[shift, at]))

    def _compare(self, now: FloatArray, levels: Levels, seconds_ago: float, likeness: float) -> SamePassage:
        then = (10.0 ** (levels.astype(np.float64) * (STEP_DB / 10.0))).mean(axis=1)
        change = {name: _change_db(now[part].sum(), then[part].sum()) for name, part in PARTS.items()}
        return SamePassage(
            seconds_ago=seconds_ago,
            likeness=min(1.0, likeness),
            top_change_db=change["top"] - change["middle"] if self._has_top else math.nan,
            low_change_db=change["low"] - change["middle"],
            level_change_db=change["middle"],
        )


def _change_db(now: float, then: float) -> float:
    """NaN where one of the two is next to nothing."""
    return power_to_db(now / then) if min(now, then) > 10.0 ** (FLOOR_DB / 10.0) else math.nan


def _frames(hops: FloatArray) -> FloatArray:
    """Means of every four hops, ``(BANDS, frames)``."""
    return np.ascontiguousarray(hops.reshape(-1, HOPS_PER_FRAME, BANDS).mean(axis=1).T)


def _window_sums(values: NDArray[np.floating]) -> FloatArray:
    """Sums over each ``PASSAGE_FRAMES`` columns in a row, ``(rows, columns - PASSAGE_FRAMES + 1)``."""
    total = np.zeros((len(values), values.shape[1] + 1))
    np.cumsum(values, axis=1, dtype=np.float64, out=total[:, 1:])
    return np.asarray(total[:, PASSAGE_FRAMES:] - total[:, :-PASSAGE_FRAMES])
