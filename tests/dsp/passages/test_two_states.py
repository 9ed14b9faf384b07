"""States of a loop's blocks from made-up levels: which are told apart, and what decides where several fit."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.types import FloatArray
from dsp.passages.repeat_blocks import BANDS, RepeatBlocks
from dsp.passages.two_states import States, contradictions, two_states

PLACES = 240


def blocks(changes_db: FloatArray, is_in: States, likeness: float = 1.0) -> RepeatBlocks:
    """Repeats ``(n, places)`` of one loop; where the stage is in, bands change by ``changes_db`` ``(places,)``."""
    loop = np.random.default_rng(1).normal(-30.0, 8.0, (PLACES, BANDS))
    levels = loop + np.where(is_in, changes_db, 0.0)[:, :, None]
    return RepeatBlocks(
        levels_db=levels,
        likeness=np.full(levels.shape, likeness),
        energies=np.ones((*is_in.shape, 2)),
        counts=np.ones(is_in.shape, dtype=bool),
        bands=np.ones(BANDS, dtype=bool),
        seconds=np.asarray(0.064 * (np.arange(PLACES) - PLACES * np.arange(len(is_in))[:, None]), dtype=np.float64),
        bins=np.full(BANDS, 20.0),
    )


def switched(*starts: int, every: int = 60) -> States:
    """Each repeat in turns of ``every`` places, the first turn so many places long."""
    return np.array([((np.arange(PLACES) - start) // every) % 2 == 0 for start in starts])


def told_apart(found: RepeatBlocks, is_in: States) -> float:
    """Share of right states where the repeats differ, whichever state is which."""
    states, clear = two_states(found)
    assert clear
    differ = is_in.any(axis=0) & ~is_in.all(axis=0)
    right = float((states == is_in)[:, differ].mean())
    return max(right, 1.0 - right)


MOVES = np.where(np.arange(PLACES) // 4 % 3 == 0, 2.0, -2.0)
"""A stage that turns loud places down and quiet ones up."""
SLOW_MOVES = np.where(np.arange(PLACES) < PLACES // 2, 3.0, -1.0)


@pytest.mark.parametrize("is_in", [switched(0, 25), switched(0, 60), switched(0, 240, every=240)])
def test_a_gain_is_followed_from_two_repeats_alone(is_in: States) -> None:
    """Also where the bypass is flipped at the same places of each turn."""
    assert told_apart(blocks(np.full(PLACES, 0.3), is_in), is_in) == 1.0


def test_a_gain_that_is_flipped_at_one_point_of_the_loop() -> None:
    """Each turn is in one state; the newest turns begin in the middle of the loop."""
    is_in = np.array([(np.arange(PLACES) < 90) == (number % 2 == 0) for number in range(4)])
    assert told_apart(blocks(np.full(PLACES, 0.3), is_in), is_in) == 1.0


@pytest.mark.parametrize("moves", [MOVES, SLOW_MOVES])
def test_a_gain_that_moves_is_followed_over_three_repeats(moves: FloatArray) -> None:
    """The direction of a change says nothing there; which repeats agree does."""
    is_in = switched(0, 20, 40)
    assert told_apart(blocks(moves, is_in), is_in) > 0.98


@pytest.mark.parametrize("moves", [MOVES, SLOW_MOVES])
@pytest.mark.parametrize("is_in", [switched(0, 25), switched(0, 60, 120)])
def test_a_gain_that_moves_is_not_clear_from_two_repeats_or_flips_at_one_point(
    moves: FloatArray, is_in: States
) -> None:
    assert not two_states(blocks(moves, is_in))[1]


def test_equal_repeats_are_in_one_state() -> None:
    states, clear = two_states(blocks(np.zeros(PLACES), switched(0, 25)))
    assert clear
    assert not states.any()


@pytest.mark.parametrize(("likeness", "apart"), [(1.0, True), (0.95, False)])
def test_a_change_that_another_sound_explains_is_none(likeness: float, apart: bool) -> None:
    """An unrelated sound of a twentieth of the power lifts the level by 0.2 dB."""
    is_in = switched(0, 25)
    states, _ = two_states(blocks(np.full(PLACES, 0.2), is_in, likeness))
    assert states.any() == apart


def test_three_levels_contradict_two_states() -> None:
    is_in = switched(0, 0, 0, every=PLACES)
    made = blocks(np.zeros(PLACES), is_in)
    faded = RepeatBlocks(
        made.levels_db + np.array([0.0, -1.0, -2.0])[:, None, None], made.likeness, made.energies, made.counts,
        made.bands, made.seconds, made.bins,
    )  # fmt: skip
    same, _ = contradictions(faded, two_states(faded)[0])
    assert same > 0.9
