"""Fair or not from the mix alone: a loop that repeats while a stage is switched in and out.

The repeats of the newest stretch of the loop are found by their wave and compared at the same places. Blocks of both
states at one place give the change. ``SETTLE_SECONDS`` either side of a switch are left out: the stage rings on, and
a switch is placed to a block.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray
from dsp.core.units import power_to_db
from dsp.passages.loop_lags import QUERY_SECONDS, SHORTEST_SECONDS, Wave, loop_lags, refined_lags
from dsp.passages.repeat_blocks import SILENCE, RepeatBlocks, repeat_blocks
from dsp.passages.repeat_stream import COARSER, RepeatStretch
from dsp.passages.two_states import States, contradictions, two_states

SETTLE_SECONDS = 0.4
LEAST_SECONDS = 3.0
"""Of the loop heard in both states, before a change is given."""
ALIKE = 0.85
"""Median over blocks and bands; a repeat that is less alike is another sound."""
MOST_CONTRADICTIONS, MOST_WITHOUT_CHANGE = 0.1, 0.3
"""Shares of the pairs of blocks that the two states may leave unexplained (our own choice)."""
NOTHING = 1e-12
"""A sum of energies below which there is nothing to compare."""
MOST_AGAINST_MARKS = 0.25
"""Share of the pairs in one state by the marks that may differ where the sound alone is not clear."""
LEAST_AGREEMENT = 0.8
"""Share of the blocks at which marks and sound give one state: a key is pressed some tenths of a second late."""
QUIET_BEFORE_SECONDS = 0.5
"""A mark after so much silence is the start of play, not a switch."""

Run = tuple[float, float, bool]
Outcome = Literal["listening", "nothing repeats", "repeats differ", "no switch", "not clear", "too short", "found"]


@dataclass(frozen=True)
class TwoStates:
    """The second state against the first, over ``seconds`` of the loop heard in both.

    ``marked`` says that marks gave the states: the first is what played before the first mark. Otherwise the second
    is the louder one. ``newest_is_second`` says which plays now. ``change_lu`` is K-weighted, ``low_change_db`` is
    plain power in 20 to 120 Hz, NaN without lows. ``turns`` are the repeats, newest first: runs of one state, each
    from where to where as a share of the loop, and whether it is the second.
    """

    change_lu: float
    low_change_db: float
    seconds: float
    marked: bool
    newest_is_second: bool
    turns: tuple[tuple[Run, ...], ...] = ()


@dataclass(frozen=True)
class Repeats:
    """What came of the comparison: ``loop_seconds`` and ``plays`` of the loop found, 0 for none."""

    outcome: Outcome
    loop_seconds: float = 0.0
    plays: int = 0
    compared_seconds: float = 0.0
    states: TwoStates | None = None


def compare_repeats(stretch: RepeatStretch) -> Repeats:
    """Find the loop, its repeats and their two states; see the module."""
    coarse = _whole(stretch.coarse.joined()[0])
    rate_hz = stretch.wave_hz / COARSER
    newest = coarse[-round(QUERY_SECONDS * rate_hz) :]
    if len(coarse) < (QUERY_SECONDS + SHORTEST_SECONDS) * rate_hz or _power(newest) < SILENCE:
        return Repeats("listening")
    loops = loop_lags(coarse, rate_hz)
    return _of_loops(stretch, loops) if loops else Repeats("nothing repeats")


def _of_loops(stretch: RepeatStretch, loops: list[list[int]]) -> Repeats:
    """Compare the repeats of the shortest of these loops whose turns are alike."""
    lost_or_not = stretch.wave.joined()[0]
    wave = _whole(lost_or_not)
    exact = [refined_lags(wave, stretch.wave_hz, each) for each in loops]
    likely = [each for each in exact if each]
    if not likely:
        return Repeats("nothing repeats")
    shorter = (each for each in likely[:-1] if _likeness(repeat_blocks(stretch, lost_or_not, each[:1]), 1) >= ALIKE)
    lags = next(shorter, likely[-1])
    blocks = repeat_blocks(stretch, lost_or_not, lags)
    alike = [0, *(each for each in range(1, len(lags) + 1) if _likeness(blocks, each) >= ALIKE)]
    loop, plays = lags[0] / stretch.wave_hz, len(alike)
    if plays < 2:
        return Repeats("repeats differ", loop)
    blocks = blocks.of(alike)
    states, marked, clear = _states(stretch, blocks, wave)
    if not states.any() or states.all():
        return Repeats("no switch", loop, plays)
    same, different = contradictions(blocks, states)
    if not marked and (same > MOST_CONTRADICTIONS or different > MOST_WITHOUT_CHANGE):
        return Repeats("repeats differ", loop, plays)
    if not clear:
        return Repeats("not clear", loop, plays)
    return _compared(blocks, states, marked, loop, plays)


def _likeness(blocks: RepeatBlocks, repeat: int) -> float:
    counted = blocks.counts[0] & blocks.counts[repeat]
    if counted.sum() < 16:
        return 0.0
    return float(np.median(blocks.likeness[repeat][counted][:, blocks.bands].mean(axis=1)))


def _states(stretch: RepeatStretch, blocks: RepeatBlocks, wave: Wave) -> tuple[States, bool, bool]:
    """States by the sound, named by the marks where these agree; by the marks where no difference is found.

    Also whether marks gave them, and whether they are clear.
    """
    by_sound, clear = two_states(blocks)
    switches = [mark for mark in stretch.switches if not _begins_play(stretch, wave, mark)]
    if not any(mark > float(blocks.seconds.min()) for mark in switches):
        return by_sound, False, clear
    by_marks = (np.searchsorted(switches, blocks.seconds) % 2).astype(bool)
    if not by_sound.any() or by_sound.all():
        return by_marks, True, True
    if not clear and contradictions(blocks, by_marks)[0] <= MOST_AGAINST_MARKS:
        return by_marks, True, True
    agree = float((by_sound == by_marks)[blocks.counts].mean())
    if max(agree, 1.0 - agree) < LEAST_AGREEMENT:
        return by_sound, False, clear
    return (by_sound if agree > 0.5 else ~by_sound), True, True


def _begins_play(stretch: RepeatStretch, wave: Wave, mark: float) -> bool:
    at = round((mark + stretch.delay_seconds) * stretch.wave_hz) - stretch.wave.first
    before = wave[max(0, at - round(QUIET_BEFORE_SECONDS * stretch.wave_hz)) : max(0, at)]
    return len(before) > 0 and _power(before) < SILENCE


def _whole(wave: Wave) -> Wave:
    """The wave with lost sound as 0."""
    return np.where(np.isnan(wave), np.float32(0.0), wave)


def _power(wave: Wave) -> float:
    return float(np.mean(wave.astype(np.float64) ** 2))


def _compared(blocks: RepeatBlocks, states: States, marked: bool, loop: float, plays: int) -> Repeats:
    counted = blocks.counts & ~_near_switches(blocks.seconds, states)
    first, second = counted & ~states, counted & states
    both = np.asarray(first.any(axis=0) & second.any(axis=0))
    seconds = float(both.sum()) * loop / max(1, states.shape[1])
    if seconds < LEAST_SECONDS:
        return Repeats("too short", loop, plays, seconds)
    change, lows = (_change_db(blocks.energies[:, :, row], first[:, both], second[:, both], both) for row in range(2))
    if not marked and change < 0.0:
        change, lows, states = -change, -lows, ~states
    turns = tuple(_runs(course, counts) for course, counts in zip(states, blocks.counts, strict=True))
    found = TwoStates(change, lows, seconds, marked, bool(states[0, -1]), turns)
    return Repeats("found", loop, plays, seconds, found)


def _runs(course: States, counts: NDArray[np.bool_]) -> tuple[Run, ...]:
    """Runs of one state ``(places,)``, from the first to the last block that counts."""
    heard = np.flatnonzero(counts)
    if not len(heard):
        return ()
    first, last = int(heard[0]), int(heard[-1]) + 1
    edges = [first, *(first + 1 + np.flatnonzero(np.diff(course[first:last]))).tolist(), last]
    return tuple(
        (begin / len(course), end / len(course), bool(course[begin])) for begin, end in itertools.pairwise(edges)
    )


def _near_switches(seconds: FloatArray, states: States) -> NDArray[np.bool_]:
    """Which blocks lie near a place where the state changes, in the order of time."""
    order = np.argsort(seconds, axis=None)
    times, course = seconds.ravel()[order], states.ravel()[order]
    turns = np.flatnonzero(course[1:] != course[:-1])
    near = np.zeros(len(times), dtype=bool)
    for before in turns:
        begin, end = times[before] - SETTLE_SECONDS, times[before + 1] + SETTLE_SECONDS
        near |= (times > begin) & (times < end)
    found = np.empty_like(near)
    found[order] = near
    return found.reshape(seconds.shape)


def _change_db(
    energies: FloatArray, first: NDArray[np.bool_], second: NDArray[np.bool_], both: NDArray[np.bool_]
) -> float:
    """Second over first, each place as its mean over the repeats in that state."""
    here = energies[:, both]
    one, other = (float((np.where(some, here, 0.0).sum(axis=0) / some.sum(axis=0)).sum()) for some in (first, second))
    return power_to_db(other / one) if min(one, other) > NOTHING else math.nan
