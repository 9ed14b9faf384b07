"""A minute on a real server with a fault every twelve seconds. The long form: ``python -m tests.soak --real 600``."""

from __future__ import annotations

import os

import pytest

from meter.logbook.recorded_day import Event
from tests.live.server import ServerUnavailableError
from tests.support import soak_real
from tests.support.counter_witness import Step

pytestmark = pytest.mark.live


def test_each_fault_of_a_minute_costs_one_gap_of_the_length_that_the_counter_says() -> None:
    """All sinks unloaded, another default sink, the engine stopped for 5 s, the server killed; no other gap."""
    try:
        failures = soak_real.run(60.0)
    except ServerUnavailableError as error:
        if os.environ.get("CI") or os.environ.get("EARWITNESS_REQUIRE_LIVE"):
            pytest.fail(f"live tests are required here, but {error}")
        pytest.skip(str(error))
    assert failures == []


def test_the_judge_notices_a_gap_that_is_not_told_and_one_that_is_told_wrong() -> None:
    right, long, untold = Step(0.0, 4.5, 0.5, 4.1), Step(0.0, 4.0, 0.0, 4.3), Step(0.0, 4.0, 0.0, 0.0)
    event = Event(0.0, "gap", "", "", 4.1)
    assert soak_real.judge(["a fault"], [right], [event]) == []
    assert soak_real.judge(["a fault"], [long], [event]) == ["a fault: 4.300 s are told of 4.000 s."]
    assert soak_real.judge(["a fault"], [untold], [event]) == ["a fault: 0.000 s are told of 4.000 s."]
    assert len(soak_real.judge(["a fault"], [right, long], [event, event])) == 2
    assert len(soak_real.judge(["a fault"], [], [])) == 2
    wrong = Event(0.0, "gap", "", "", 3.7)
    assert soak_real.judge(["a fault"], [right], [wrong]) == ["a fault: the record says 3.7 s of 4.000 s."]


def test_a_player_that_stood_still_is_not_taken_for_a_gap_and_its_counter_is_late_afterwards() -> None:
    """Half a second of silence with nothing missing; the next player goes on where the time is."""
    stood, fault = Step(0.0, 0.0, 0.5, 0.0), Step(0.0, 4.9, 0.4, 4.0)
    (found,) = soak_real.put_right([stood, fault], [0.1, 0.2])
    assert found.missed == pytest.approx(4.9 - 0.4 - 0.5 + 0.1)
    (same,) = soak_real.put_right([stood, fault], [0.1, 0.1])
    assert same.missed == pytest.approx(4.5), "the same player, as late as before"
    dropped = Step(0.0, 0.2, 0.0, 0.0)
    assert soak_real.put_right([dropped], [0.1]) == [dropped], "a jump without silence is of the capture"
