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
SWITCH_COST = 40.0
"""A state holds for about half a second or more (our own choice)."""
DIRECTION_COST = 3.0
"""What it costs when a change goes against the usual one; less than any evidence of same or different."""
MOST_TURNS = 0.12
"""Share of neighbouring places between which the change turns round, from which on its direction says nothing: a
stage whose gain moves turns loud places down and quiet ones up."""

States = NDArray[np.bool_]


def two_states(blocks: RepeatBlocks) -> States:
    """States ``(n, places)``; all False where no block differs."""
    repeats, places = blocks.counts.shape
    choices = np.array(list(itertools.product((False, True), repeat=repeats)))
    costs = _costs(blocks, choices)
    switches = SWITCH_COST * (choices[:, None] != choices[None]).sum(axis=2)
    total = costs[0]
    came_from = np.zeros((places, len(choices)), dtype=np.intp)
    for place in range(1, places):
        ways = total[:, None] + switches
        came_from[place] = ways.argmin(axis=0)
        total = ways.min(axis=0) + costs[place]
    course = [int(total.argmin())]
    for place in range(places - 1, 0, -1):
        course.append(int(came_from[place, course[-1]]))
    return np.ascontiguousarray(choices[course[::-1]].T)


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


def turns_round(blocks: RepeatBlocks) -> bool:
    """Whether a change goes both ways from place to place, so that its direction cannot tell one state."""
    pairs = itertools.combinations(range(len(blocks.counts)), 2)
    return _turns(_directions([_evidence(blocks, *pair) for pair in pairs])) >= MOST_TURNS


def _costs(blocks: RepeatBlocks, choices: NDArray[np.bool_]) -> FloatArray:
    """Cost of each choice of states at each place, ``(places, choices)``."""
    pairs = list(itertools.combinations(range(len(blocks.counts)), 2))
    found = [_evidence(blocks, first, second) for first, second in pairs]
    along = _directions(found)
    weight = DIRECTION_COST * max(0.0, 1.0 - _turns(along) / MOST_TURNS)
    costs = np.zeros((blocks.counts.shape[1], len(choices)))
    for (first, second), (evidence, _), ways in zip(pairs, found, along, strict=True):
        counted = blocks.counts[first] & blocks.counts[second]
        same = choices[:, first] == choices[:, second]
        rises = choices[:, second].astype(float) - choices[:, first]
        here = np.where(same, evidence[:, None], DIFFERENT - weight * np.minimum(ways[:, None] * rises, 0.0))
        costs += np.where(counted[:, None], here, 0.0)
    return costs


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


def _directions(found: Sequence[tuple[FloatArray, FloatArray]]) -> list[FloatArray]:
    """Cosine of each change to the direction along which the changes are longest, -1 to 1; 0 where none is sure."""
    joined = np.concatenate([changes[evidence > DIFFERENT] for evidence, changes in found])
    usual = np.linalg.eigh(joined.T @ joined)[1][:, -1]
    return [
        np.where(evidence > DIFFERENT, changes @ usual / np.maximum(np.linalg.norm(changes, axis=1), 1e-9), 0.0)
        for evidence, changes in found
    ]


def _turns(along: Sequence[FloatArray]) -> float:
    """Share of neighbouring places that differ in opposite directions, among those that both differ."""
    both = turned = 0
    for ways in along:
        steps = ways[1:] * ways[:-1]
        both += int((steps != 0.0).sum())
        turned += int((steps < 0.0).sum())
    return turned / both if both else 0.0
