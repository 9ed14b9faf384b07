"""The beat of the engine's loop."""

from __future__ import annotations

import math

import pytest

from meter.engine.process import TURN_SECONDS, next_turn, turn_length


def test_the_loop_keeps_its_beat_whatever_a_turn_takes() -> None:
    due, turns = 5.0, 100
    for turn in range(turns):
        late = 0.9 * TURN_SECONDS if turn % 3 else 0.0
        due = next_turn(due, due + late, TURN_SECONDS)
    assert due == pytest.approx(5.0 + turns * TURN_SECONDS)


def test_after_a_stall_the_loop_turns_at_once_and_makes_up_for_no_beat() -> None:
    after = next_turn(5.0, 8.0, TURN_SECONDS)
    assert after == 8.0
    assert next_turn(after, 8.001, TURN_SECONDS) == pytest.approx(8.0 + TURN_SECONDS)


@pytest.mark.parametrize(
    ("latency_seconds", "quick"), [(0.02, True), (4096 / 48_000, False), (0.5, False), (math.nan, False)]
)
def test_a_low_latency_is_measured_in_quicker_turns(latency_seconds: float, quick: bool) -> None:
    assert (turn_length(latency_seconds) < TURN_SECONDS) == quick
