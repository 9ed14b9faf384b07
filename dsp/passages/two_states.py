"""Which of two states, such as a stage in and bypassed, each block of a repeated loop played in.

Two repeats of one place that differ by more than chance played in different states. Chance, or another sound in one
of the two, lowers the likeness of the blocks; a change of level that this explains does not count. States last:
the most likely course is found by dynamic programming over the places of the loop (Viterbi's algorithm), whose state
is that of all repeats at once.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray
from dsp.passages.repeat_blocks import RepeatBlocks

FLOOR_DB = 0.04
"""Repeats of a loop that nothing was done to agree better than this in each band (measured on rendered loops)."""
DIFFERENT = 4.0
"""Mean square of a difference re its chance from which two blocks count as different."""
ALIKE = 1.0
"""Below this they do not differ."""
MOST_EVIDENCE = 16.0
LEAST_ALIKE = 0.8
"""A band that is less alike says nothing."""
FEWEST_UNSTEADY = 3
SWITCH_COST = 40.0
"""A state holds for about half a second or more (our own choice)."""
ALL_SWITCH_COST = 40.0
"""Of all repeats at one place: the bypass is flipped at one point of the loop, such as its start."""
DIRECTION_COST = 3.0
"""What it costs when a steady change goes against the usual one; less than evidence of same or different."""
UNSTEADY_COST = 25.0
"""The same for a change that is not steady, over all places together: less than one switch."""
MOST_TURNS, MOST_SPREAD = 0.12, 0.6
"""A steady change, as of a gain or an equaliser, turns round between fewer than this share of neighbouring places,
and the range of its middle 80 % re its median is smaller than this. A stage whose gain moves turns loud places down
and quiet ones up; there the direction of a change does not tell the states."""
ONE_MOMENT_PLACES = 8
NEXT_SECONDS = 1.0

States = NDArray[np.bool_]


def two_states(blocks: RepeatBlocks) -> tuple[States, bool]:
    """States ``(n, places)``, all False where no block differs, and whether they are clear.

    They are not where the change is not steady and either two repeats are all there is or all switch at one place.
    """
    choices = np.array(list(itertools.product((False, True), repeat=len(blocks.counts))))
    costs, steady = _costs(blocks, choices)
    states = _cheapest_course(costs, choices, _borders(blocks, choices))
    doubtful = len(states) < FEWEST_UNSTEADY or _all_switch(states)
    return states, bool(steady or not states.any() or states.all() or not doubtful)


def _cheapest_course(costs: FloatArray, choices: NDArray[np.bool_], borders: FloatArray) -> States:
    """States by the least sum of costs, over all choices at the first place."""
    counts = (choices[:, None] != choices[None]).sum(axis=2)
    switches = np.where(counts == choices.shape[1], ALL_SWITCH_COST, SWITCH_COST * counts)
    places, size = costs.shape
    total = np.where(np.eye(size, dtype=bool), costs[0], np.inf)
    came_from = np.zeros((places, size, size), dtype=np.uint8)
    for place in range(1, places):
        ways = total[:, :, None] + switches
        came_from[place] = ways.argmin(axis=1)
        total = ways.min(axis=1) + costs[place]
    first, last = np.unravel_index(int(np.argmin(total + borders)), total.shape)
    course = [int(last)]
    for place in range(places - 1, 0, -1):
        course.append(int(came_from[place, first, course[-1]]))
    return np.ascontiguousarray(choices[course[::-1]].T)


def _borders(blocks: RepeatBlocks, choices: NDArray[np.bool_]) -> FloatArray:
    """Cost of switches between the end of a repeat and the start of the next, by the first and the last choice."""
    costs = np.zeros((len(choices), len(choices)))
    for later in range(len(blocks.counts) - 1):
        if abs(blocks.seconds[later, 0] - blocks.seconds[later + 1, -1]) < NEXT_SECONDS:
            costs += SWITCH_COST * (choices[:, None, later] != choices[None, :, later + 1])
    return costs


def _all_switch(states: States) -> bool:
    """Whether there is a place at which every repeat switches."""
    switches = states[:, 1:] != states[:, :-1]
    ends = np.cumsum(switches, axis=1)
    padded = np.pad(ends, ((0, 0), (ONE_MOMENT_PLACES, 0)))[:, : ends.shape[1]]
    return bool((ends > padded).all(axis=0).any())


def contradictions(blocks: RepeatBlocks, states: States) -> tuple[float, float]:
    """Share of the pairs of blocks in one state that differ, and of those in different states that do not."""
    pairs, against = np.zeros(2), np.zeros(2)
    for first, second in itertools.combinations(range(len(states)), 2):
        evidence, _ = _evidence(blocks, first, second)
        counted = blocks.counts[first] & blocks.counts[second]
        differ = states[first] != states[second]
        pairs += np.count_nonzero(counted & ~differ), np.count_nonzero(counted & differ)
        against[0] += np.count_nonzero(counted & ~differ & (evidence > DIFFERENT))
        against[1] += np.count_nonzero(counted & differ & (evidence < ALIKE))
    same, different = against / np.maximum(pairs, 1.0)
    return float(same), float(different)


def _costs(blocks: RepeatBlocks, choices: NDArray[np.bool_]) -> tuple[FloatArray, bool]:
    """Cost of each choice of states at each place, ``(places, choices)``, and whether the change is steady."""
    pairs = list(itertools.combinations(range(len(blocks.counts)), 2))
    found = [_evidence(blocks, first, second) for first, second in pairs]
    along, steady = _directions(found)
    weight = DIRECTION_COST if steady else UNSTEADY_COST / max(1, sum(np.count_nonzero(ways) for ways in along))
    costs = np.zeros((blocks.counts.shape[1], len(choices)))
    for (first, second), (evidence, _), ways in zip(pairs, found, along, strict=True):
        counted = blocks.counts[first] & blocks.counts[second]
        same = choices[:, first] == choices[:, second]
        rises = choices[:, second].astype(float) - choices[:, first]
        here = np.where(same, evidence[:, None], DIFFERENT - weight * np.minimum(ways[:, None] * rises, 0.0))
        costs += np.where(counted[:, None], here, 0.0)
    return costs, steady


def _evidence(blocks: RepeatBlocks, first: int, second: int) -> tuple[FloatArray, FloatArray]:
    """How different two repeats are at each place, and the change in dB per band from the first to the second."""
    changes = (blocks.levels_db[second] - blocks.levels_db[first])[:, blocks.bands]
    # Likeness of both to the newest gives at least the likeness of one to the other when what differs is unrelated.
    alike = (blocks.likeness[first] * blocks.likeness[second])[:, blocks.bands]
    unlike = 1.0 - alike
    # An unrelated sound adds its power, and its products with the other scatter about nought.
    explained = -15.0 * np.log10(np.maximum(alike, LEAST_ALIKE))
    chance = FLOOR_DB**2 + 4.34**2 * 4.0 * unlike / np.maximum(1.0, blocks.bins[blocks.bands] / 1.5)
    beyond = np.where(alike < LEAST_ALIKE, 0.0, np.maximum(np.abs(changes) - explained, 0.0))
    evidence = np.minimum(beyond**2 / chance, MOST_EVIDENCE * 2.0).mean(axis=1)
    return np.minimum(evidence, MOST_EVIDENCE), changes


def _directions(found: Sequence[tuple[FloatArray, FloatArray]]) -> tuple[list[FloatArray], bool]:
    """Cosine of each change to the direction along which the changes are longest, -1 to 1, 0 where none is sure.

    Also whether the changes along it are steady.
    """
    joined = np.concatenate([changes[evidence > DIFFERENT] for evidence, changes in found])
    if not len(joined):
        return [np.zeros(len(evidence)) for evidence, _ in found], True
    usual = np.linalg.eigh(joined.T @ joined)[1][:, -1]
    along = [
        np.where(evidence > DIFFERENT, changes @ usual / np.maximum(np.linalg.norm(changes, axis=1), 1e-9), 0.0)
        for evidence, changes in found
    ]
    low, middle, high = np.percentile(np.abs(joined @ usual), (10.0, 50.0, 90.0))
    return along, bool(high - low < MOST_SPREAD * middle) and _turns(along) < MOST_TURNS


def _turns(along: Sequence[FloatArray]) -> float:
    """Share of neighbouring places that differ in opposite directions, among those that both differ."""
    both = turned = 0
    for ways in along:
        steps = ways[1:] * ways[:-1]
        both += int((steps != 0.0).sum())
        turned += int((steps < 0.0).sum())
    return turned / both if both else 0.0
