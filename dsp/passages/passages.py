"""Recognition of a passage that played earlier in the sitting, and its change of tone since.

A passage is ten seconds of band levels, ten a second, without the mean of each band: level and tone are removed, the
movement of the bands is left. So music is found again when it is louder or brighter now. Likeness is the correlation
coefficient of two such patterns over all bands. The method is our own; on rendered music the same passage reads 0.97
and more, others to the same drums 0.85 and less.

Change of tone is the change of power in 20 to 120 Hz and in 2 to 8 kHz, each against 120 Hz to 2 kHz. The reference
is the middle, not the whole: most of the whole is lows, so a change of the lows alone would move the share of the
top as well.

The sitting is stored as 16-bit levels, ten hours at most. ``PassageStream`` stores; every ten seconds its ``stretch``
is what ``find_passage`` searches, from the oldest on.
"""

from __future__ import annotations

import math
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
"""The first hops have no whole window yet."""
QUERY_HOPS = SEARCH_EVERY_HOPS + HOPS_PER_FRAME - 1
"""Four queries, a hop apart: one of them lies within 12.5 ms of the stored frames."""

LEAST_AGE_FRAMES = 60 * FRAMES_PER_SECOND
"""Ears change over minutes, so a passage from the last minute is not compared."""
MOST_FRAMES = 10 * 3600 * FRAMES_PER_SECOND
SLACK_FRAMES = 60 * FRAMES_PER_SECOND
"""How long a stretch stays as it is while more sound is stored."""
HANDED_OUT_FRAMES = 2 * 3600 * FRAMES_PER_SECOND
"""``save_state`` returns the first two hours of a sitting, 1.7 MB: later passages are compared with these."""

LEAST_LIKENESS = 0.95
LEAST_MOVEMENT_DB = 2.0
"""Standard deviation about the bands' means; held chords and steady noise have less and are all alike."""
LEAST_LEVEL_DB = -60.0
"""Mean power in dB re 1.0 below which nothing plays."""
PAUSE_DB = -40.0
MOST_PAUSE_FRAMES = FRAMES_PER_SECOND // 2
"""A stop is the strongest movement, so all music that stops at the same place would be alike."""

ONE_PLAY_FRAMES = 5 * 60 * FRAMES_PER_SECOND
"""A song repeats itself: the best match within this time of the first match is taken."""

FLOOR_DB = -80.0
"""Movement below this is hiss."""
STEP_DB = 0.01
LOST = np.iinfo(np.int16).min
SLICE_FRAMES = 4096
SLICE_STEP = SLICE_FRAMES - PASSAGE_FRAMES + 1

PARTS = {"low": LOWS, "middle": MIDDLE, "top": TOP}

Levels = NDArray[np.int16]
Outcome = Literal["listening", "no pattern", "not heard before", "same"]
"""Of the last ten seconds: not whole yet; quiet, steady or interrupted; not found; found."""


@dataclass(frozen=True)
class SamePassage:
    """A passage now against its first time. Changes in dB, now over then; positive is more now.

    A change is NaN where either is near silence, the top also where half the rate lies below 8 kHz.
    """

    seconds_ago: float
    likeness: float
    top_change_db: float
    low_change_db: float
    level_change_db: float


@dataclass(frozen=True)
class StoredLevels:
    """Band levels of the sitting as they are now, ten frames a second; what is added later does not show.

    Holds for ``SLACK_FRAMES`` frames after it was taken. ``oldest`` is the number of the first frame that counts,
    ``frames`` one more than that of the last.
    """

    ring: Levels
    oldest: int
    frames: int

    def levels(self, start: int, stop: int) -> Levels:
        """``(BANDS, frames)`` from ``start`` to ``stop`` in hundredths of a decibel, lost ones ``LOST``.

        Both must lie within what is kept.
        """
        size = self.ring.shape[1]
        first, last = start % size, (stop - 1) % size + 1
        if first < last:
            return self.ring[:, first:last]
        return np.concatenate([self.ring[:, first:], self.ring[:, :last]], axis=1)


class PassageMemory:
    """Stores band levels of the sitting; past ``capacity`` frames the oldest are dropped."""

    def __init__(self, capacity: int = MOST_FRAMES) -> None:
        self._size = capacity + SLACK_FRAMES
        self._ring: Levels = np.full((BANDS, self._size), LOST, dtype=np.int16)
        self._capacity = capacity
        self.frames = 0
        """Frames taken so far; the newest is number ``frames - 1``."""

    @property
    def stored(self) -> StoredLevels:
        """What is kept now."""
        return StoredLevels(self._ring, max(0, self.frames - self._capacity), self.frames)

    def add(self, power: FloatArray) -> None:
        """Store the band powers of one frame; one with a NaN counts as lost."""
        lost = bool(np.isnan(power).any())
        levels = LOST if lost else np.clip(np.round(power_to_db(power + 1e-16) / STEP_DB), -32_000, 32_000)
        self._ring[:, self.frames % self._size] = levels
        self.frames += 1

    def lose(self, frames: int) -> None:
        """Account for lost frames."""
        if frames >= SLACK_FRAMES:
            # A search may still read the ring: this much would overwrite what it looks at.
            self._ring = self._ring.copy()
        columns = np.arange(self.frames, self.frames + min(frames, self._size)) % self._size
        self._ring[:, columns] = LOST
        # After a gap as long as the memory every column is lost, at any count.
        self.frames += frames

    def save_state(self) -> SavedState:
        """The oldest frames that are stored."""
        stored = self.stored
        stop = min(stored.frames, stored.oldest + HANDED_OUT_FRAMES)
        levels = stored.levels(stored.oldest, stop).copy() if stop > stored.oldest else np.empty((BANDS, 0), np.int16)
        return {"frames": stored.frames, "oldest": stored.oldest, "levels": levels}

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned; the rest is lost."""
        first, levels = int(kept["oldest"]), kept["levels"]
        self.frames = int(kept["frames"])
        self._ring[:] = LOST
        self._ring[:, np.arange(first, first + levels.shape[1]) % self._size] = levels


class PassageQuery:
    """Pattern of one passage at four positions a hop apart. ``hops`` is ``(QUERY_HOPS, BANDS)``."""

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
        """False for silence, for a stop within the passage, and for too little movement."""
        loud_enough = float(power_to_db(self.power.sum())) >= LEAST_LEVEL_DB
        return self._usable and loud_enough and self._pauses <= MOST_PAUSE_FRAMES

    def likeness(self, levels: Levels) -> FloatArray:
        """Likeness to the passages that begin at each frame of ``levels``, for each position, ``(4, passages)``.

        ``levels`` is ``(BANDS, frames)`` with ``PASSAGE_FRAMES`` to ``SLICE_FRAMES`` frames. A passage that touches
        a lost frame reads 0.
        """
        lost = np.flatnonzero(levels[0] == LOST)
        past = np.maximum(levels * np.float32(STEP_DB), np.float32(FLOOR_DB))
        # Centred, so that single precision suffices; the mean of each passage is removed below.
        past -= past.mean(axis=1, keepdims=True)
        past_transform = rfft(past, SLICE_FRAMES, axis=1)
        # einsum takes three times as long on this shape.
        products = np.stack([(transform * past_transform).sum(axis=0) for transform in self._transforms])
        match = irfft(products, SLICE_FRAMES, axis=1)[:, : levels.shape[1] - PASSAGE_FRAMES + 1]
        means = _window_sums(past)
        energy = _window_sums((past * past).sum(axis=0, keepdims=True))[0]
        energy -= (means * means).sum(axis=0) / PASSAGE_FRAMES
        found = match / np.sqrt(np.maximum(energy, 1.0))
        for frame in lost:
            found[:, max(0, frame - PASSAGE_FRAMES + 1) : frame + 1] = 0.0
        return np.asarray(found)


@dataclass(frozen=True)
class PassageStretch:
    """The last ten seconds, and what they are searched in.

    ``hops`` is ``(QUERY_HOPS, BANDS)``, NaN where sound is missing; ``end_hop`` is the number of hops so far. A hop
    lasts ``hop_seconds``. ``has_top`` is False where half the rate lies below 8 kHz.
    """

    hops: FloatArray
    end_hop: int
    stored: StoredLevels
    hop_seconds: float
    has_top: bool


class PassageStream:
    """Stores the passages of a stream ``(frames, channels)``, at most ``capacity`` frames of a tenth of a second."""

    def __init__(self, rate_hz: int, channels: int, capacity: int = MOST_FRAMES) -> None:
        self._bands = PassageBands(rate_hz, channels)
        self._hop_seconds = self._bands.hop_frames / rate_hz
        self._has_top = rate_hz >= 2 * 8000
        self._memory = PassageMemory(capacity)
        self._recent = np.full((QUERY_HOPS, BANDS), np.nan)
        self._hops = 0
        self._stretch: PassageStretch | None = None

    @property
    def hours_remembered(self) -> float:
        """How far back a passage can be found."""
        stored = self._memory.stored
        return (stored.frames - stored.oldest) * HOPS_PER_FRAME * self._hop_seconds / 3600.0

    def save_state(self) -> SavedState:
        """The stored start of the sitting."""
        return {"hops": self._hops, **inside("memory", self._memory.save_state())}

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned."""
        self._bands.reset()
        self._recent[:] = np.nan
        self._stretch = None
        self._hops = int(kept["hops"])
        self._memory.restore_state(of("memory", kept))

    def process(self, block: FloatArray) -> None:
        """Store a block."""
        for power in self._bands.process(block):
            self._take(power)

    def skip(self, frames: int) -> None:
        """Account for lost frames; a passage with a gap is not searched for."""
        lost = self._bands.skip(frames)
        before = self._hops // HOPS_PER_FRAME
        self._hops += lost
        self._recent[np.arange(self._hops - min(lost, QUERY_HOPS), self._hops) % QUERY_HOPS] = np.nan
        self._memory.lose(self._hops // HOPS_PER_FRAME - before)
        if lost >= SEARCH_EVERY_HOPS:
            self._capture()

    def stretch(self) -> PassageStretch | None:
        """The newest ten seconds to search for; None when they were taken already."""
        newest, self._stretch = self._stretch, None
        return newest

    def _take(self, power: FloatArray) -> None:
        self._recent[self._hops % QUERY_HOPS] = power
        self._hops += 1
        if self._hops % HOPS_PER_FRAME == 0:
            self._memory.add(self._last_hops(HOPS_PER_FRAME).mean(axis=0))
        if (self._hops - FIRST_SEARCH_HOPS) % SEARCH_EVERY_HOPS == 0:
            self._capture()

    def _capture(self) -> None:
        hops = self._last_hops(QUERY_HOPS) if self._hops >= QUERY_HOPS else np.full((QUERY_HOPS, BANDS), np.nan)
        self._stretch = PassageStretch(hops, self._hops, self._memory.stored, self._hop_seconds, self._has_top)

    def _last_hops(self, count: int) -> FloatArray:
        return np.asarray(self._recent[np.arange(self._hops - count, self._hops) % QUERY_HOPS])


def find_passage(stretch: PassageStretch) -> tuple[Outcome, SamePassage | None]:
    """Search from the oldest on, up to the first match, and take the best near it."""
    if np.isnan(stretch.hops).any():
        return "listening", None
    query = PassageQuery(stretch.hops)
    if not query.has_pattern:
        return "no pattern", None
    first_hop = stretch.end_hop - QUERY_HOPS
    end = first_hop // HOPS_PER_FRAME - LEAST_AGE_FRAMES + PASSAGE_FRAMES
    for start in range(stretch.stored.oldest, end - PASSAGE_FRAMES + 1, SLICE_STEP):
        likeness = query.likeness(stretch.stored.levels(start, min(start + SLICE_FRAMES, end))).max(axis=0)
        if likeness.max() >= LEAST_LIKENESS:
            first = start + int(np.argmax(likeness >= LEAST_LIKENESS))
            return "same", _best_of_play(query, stretch, first, end)
    return "not heard before", None


def _best_of_play(query: PassageQuery, stretch: PassageStretch, start: int, end: int) -> SamePassage:
    levels = stretch.stored.levels(start, min(start + ONE_PLAY_FRAMES, end))
    likeness = query.likeness(levels)
    shift, at = np.unravel_index(int(np.argmax(likeness)), likeness.shape)
    hops_ago = stretch.end_hop - QUERY_HOPS + int(shift) - (start + int(at)) * HOPS_PER_FRAME
    now, then = query.power, _mean_power(levels[:, at : at + PASSAGE_FRAMES])
    change = {name: _change_db(now[part].sum(), then[part].sum()) for name, part in PARTS.items()}
    return SamePassage(
        seconds_ago=hops_ago * stretch.hop_seconds,
        likeness=min(1.0, float(likeness[shift, at])),
        top_change_db=change["top"] - change["middle"] if stretch.has_top else math.nan,
        low_change_db=change["low"] - change["middle"],
        level_change_db=change["middle"],
    )


def _mean_power(levels: Levels) -> FloatArray:
    return np.asarray((10.0 ** (levels.astype(np.float64) * (STEP_DB / 10.0))).mean(axis=1))


def _change_db(now: float, then: float) -> float:
    """Change in dB; NaN where either is near silence."""
    return power_to_db(now / then) if min(now, then) > 10.0 ** (FLOOR_DB / 10.0) else math.nan


def _frames(hops: FloatArray) -> FloatArray:
    """Means of every four hops, ``(BANDS, frames)``."""
    return np.ascontiguousarray(hops.reshape(-1, HOPS_PER_FRAME, BANDS).mean(axis=1).T)


def _window_sums(values: NDArray[np.floating]) -> FloatArray:
    """Sums over each ``PASSAGE_FRAMES`` columns in a row, ``(rows, columns - PASSAGE_FRAMES + 1)``."""
    total = np.zeros((len(values), values.shape[1] + 1))
    np.cumsum(values, axis=1, dtype=np.float64, out=total[:, 1:])
    return np.asarray(total[:, PASSAGE_FRAMES:] - total[:, :-PASSAGE_FRAMES])
