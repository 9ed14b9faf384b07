"""Any order of what may happen to an engine: what must hold after each step. Seeded, so a failure can be replayed.

``EARWITNESS_EXAMPLES=200 pytest tests/properties/test_engine_machine.py`` tries more of them.
"""

from __future__ import annotations

import math
import os
import shutil
import tempfile
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from meter.audio.script import Gone, Lost, Rate, Stall, Tone, Value
from meter.engine.state_saver import EVERY_SECONDS
from meter.engine.watchdog import LOST_SECONDS
from meter.instances import Instance
from meter.readings import STATES, FeedStatus
from tests.support.machine_sides import FAULTS, REQUEST, STEP_SECONDS, Side, faulty_meter
from tests.support.plugins import write_meter

EXAMPLES = int(os.environ.get("EARWITNESS_EXAMPLES", "12"))
RATES = (8_000, 11_025, 16_000)
KEYS = ("loudness.momentary", "loudness.integrated", "loudness.measured", "tally.total")
SAVES = """

def save_state(self):
    return {"total": self.total}

def restore_state(self, kept):
    self.total = kept["total"]

Meter.save_state, Meter.restore_state = save_state, restore_state
"""
COUNTED_WITHIN_SECONDS = 0.15
"""Time that the accounts of heard and lost frames may be off: a step, a tick, and a block of the source."""
short = st.floats(0.05, 1.2)
levels = st.floats(-60.0, -6.0)


class AnyOrder(RuleBasedStateMachine):
    """Two engines to which the same happens; one of them has a meter beside the others that is told to fail."""

    @initialize(rate_hz=st.sampled_from(RATES))
    def begin(self, rate_hz: int) -> None:
        self.folder = Path(tempfile.mkdtemp())
        tally = write_meter(self.folder / "tally", "tally")
        with (tally / "process.py").open("a", encoding="utf-8") as file:
            file.write(SAVES)
        self.plain = Side.make(rate_hz, tally)
        self.tried = Side.make(rate_hz, faulty_meter(self.folder / "faulty"), tally)
        self.sides = (self.plain, self.tried)
        self.unsure = 0.0
        self.frozen: np.ndarray | None = None
        self.forget()
        self.run(0.5)

    def forget(self) -> None:
        """R, another source or another engine: the accounts begin again."""
        self.began: float | None = None
        self.gaps = 0
        self.unsure = 0.0

    def taken_again(self) -> None:
        """Held readings are others from here, and are held as they are then."""
        self.frozen = None if self.frozen is None else np.empty(0)

    def run(self, seconds: float) -> None:
        for side in self.sides:
            side.run(seconds)
        self.look()

    def look(self) -> None:
        """Note when the account of the audio clock began."""
        status = self.status
        if self.began is None and status.rate_hz and status.frames and status.state == "running":
            self.began = self.plain.now() - status.elapsed_seconds

    @property
    def status(self) -> FeedStatus:
        return self.plain.frame.status

    # What happens

    @rule(seconds=short, level=levels)
    def sound(self, seconds: float, level: float) -> None:
        for side in self.sides:
            side.source.add(Tone(seconds, 997.0, level))
        self.run(seconds)

    @rule(seconds=short)
    def silence(self, seconds: float) -> None:
        for side in self.sides:
            side.source.add(Value(seconds))
        self.run(seconds)

    @rule(seconds=st.floats(0.001, 0.9))
    def flagged_loss(self, seconds: float) -> None:
        for side in self.sides:
            side.source.add(Lost(max(1, round(seconds * self.status.rate_hz or 8_000))))
        self.gaps += 1
        self.run(seconds + 1.0)

    @rule(seconds=st.floats(0.1, 0.9))
    def silent_loss(self, seconds: float) -> None:
        """Only the clock tells; it may take its time."""
        for side in self.sides:
            side.source.add(Lost(round(seconds * self.status.rate_hz or 8_000), flagged=False))
        self.gaps += 1
        self.unsure += seconds
        self.run(seconds + 1.0)

    @rule(seconds=st.floats(0.1, 0.9))
    def stall(self, seconds: float) -> None:
        """All of it comes late, in one burst; for that long some may be missing."""
        for side in self.sides:
            side.source.add(Stall(seconds))
        self.run(seconds + 1.0)

    @rule(seconds=st.floats(1.0, 6.0))
    def nothing_comes(self, seconds: float) -> None:
        for side in self.sides:
            side.source.add(Stall(seconds, kept=False))
        self.gaps += 1 + math.ceil(seconds)  # taken as a loss by the clock, then as a source that was lost
        # The clock of a source that was just opened is not trusted yet; from 3 s on the source counts as lost.
        self.unsure += min(seconds, LOST_SECONDS) + 0.5
        self.run(seconds + 3.0)

    @rule(value=st.sampled_from([math.nan, math.inf, -math.inf, 1e30, -1e30]), seconds=st.floats(0.02, 1.5))
    def no_numbers(self, value: float, seconds: float) -> None:
        for side in self.sides:
            side.source.add(Value(seconds, value))
        self.run(seconds + 0.6)

    @rule(refusals=st.integers(0, 3), seconds=short)
    def unplugged(self, refusals: int, seconds: float) -> None:
        for side in self.sides:
            side.source.add(Gone(refusals=refusals))
        self.gaps += 1
        self.run(seconds + 0.6)

    @rule(rate_hz=st.sampled_from(RATES))
    def another_rate(self, rate_hz: int) -> None:
        before = self.status.rate_hz
        for side in self.sides:
            side.source.add(Rate(rate_hz))
        self.gaps += 1
        self.run(2.0)
        if rate_hz != before:
            self.forget()
            self.gaps = 1
            self.taken_again()
            self.unsure = 0.6
        self.run(0.1)

    @rule(seconds=st.floats(0.04, 2.0))
    def time_goes_on(self, seconds: float) -> None:
        self.run(seconds)

    # What is asked of it

    @rule()
    def reset(self) -> None:
        for side in self.sides:
            side.begin()
            side.engine.reset()
        self.forget()
        self.taken_again()
        self.gaps = 1  # one that goes on is counted again from here
        self.unsure = 0.5
        self.run(STEP_SECONDS)

    @rule()
    def mark(self) -> None:
        for side in self.sides:
            side.engine.mark()
        self.run(STEP_SECONDS)

    @rule(held=st.booleans())
    def hold(self, held: bool) -> None:
        for side in self.sides:
            side.engine.hold(held)
        self.run(0.2)
        self.frozen = self.plain.frame.values.copy() if held else None

    @rule(choice=st.sampled_from(["pass", "nothing"]))
    def at_play(self, choice: str) -> None:
        for side in self.sides:
            side.at_play = side.engine.spans.at_play = choice

    @rule(fault=st.sampled_from(FAULTS))
    def the_meter_fails(self, fault: str) -> None:
        self.tried.engine.configure("faulty", {"fault": fault})

    @rule(settings=st.sampled_from([("nobody", {}), ("loudness", {"nothing": 1.0}), ("faulty", {"fault": 3.0})]))
    def wrong_settings(self, settings: tuple[str, dict[str, object]]) -> None:
        for side in self.sides:
            side.engine.configure(*settings)
        self.run(STEP_SECONDS)

    @rule(further=st.booleans())
    def instances(self, further: bool) -> None:
        chosen = [Instance("tally_2", "tally", "mix")] if further else []
        for side in self.sides:
            side.engine.use_instances(chosen)
        self.taken_again()
        self.run(STEP_SECONDS)

    @rule()
    def opened_again(self) -> None:
        for side in self.sides:
            side.begin()
            side.engine.open(REQUEST)
        self.forget()
        self.taken_again()
        self.run(0.2)

    @rule()
    def stopped_and_opened(self) -> None:
        for side in self.sides:
            side.engine.stop()
        self.run(0.4)
        self.opened_again()

    # What ends it

    @rule(away=st.floats(0.1, 3.0))
    @precondition(lambda self: self.frozen is None)
    def killed(self, away: float) -> None:
        """Another engine goes on; it misses what was not saved yet and what played meanwhile."""
        before = self.status
        settled = before.state == "running" and before.elapsed_seconds > EVERY_SECONDS + 1.0
        for side in self.sides:
            side.source.stop()
            side.source.advance(away)
            side.start()
        self.gaps = 10**6
        self.run(1.5)
        if not settled:  # nothing may have been saved yet
            self.unsure = math.inf
        elif before.rate_hz == self.status.rate_hz:
            assert self.status.frames >= before.frames - (EVERY_SECONDS + 1.0) * before.rate_hz
            assert self.status.elapsed_seconds >= before.elapsed_seconds

    @rule(damage=st.binary(min_size=1, max_size=64), share=st.floats(0.0, 1.0))
    @precondition(lambda self: self.frozen is None)
    def killed_and_what_it_left_is_damaged(self, damage: bytes, share: float) -> None:
        for side in self.sides:
            for half in side.region.room.reshape(2, -1):
                at = int(share * 4000)
                half[at : at + len(damage)] ^= np.frombuffer(damage, np.uint8)
            side.source.stop()
            side.start()
        self.forget()
        self.gaps = 10**6
        self.unsure = math.inf
        self.run(1.5)

    # What must hold

    @invariant()
    def the_status_makes_sense(self) -> None:
        if not hasattr(self, "sides"):
            return
        for side in self.sides:
            status = side.frame.status
            assert status.state in STATES
            assert status.sentence.isprintable()
            assert len(status.sentence) < 600
            assert min(status.frames, status.lost_frames, status.gaps, status.invalid_samples) >= 0
            assert (status.lost_frames == 0) or status.gaps or self.gaps > 1000
            for fault in status.quarantined.values():
                assert fault.isprintable()
                assert len(fault) < 600

    @invariant()
    def no_reading_is_beyond_all_bounds(self) -> None:
        for side in getattr(self, "sides", ()):
            values = side.frame.values
            assert not np.isposinf(values).any()
            assert not (np.abs(values[np.isfinite(values)]) > 1e15).any()

    @invariant()
    def other_meters_are_exact_to_the_last_digit(self) -> None:
        if hasattr(self, "sides"):
            one, other = self.plain.frame, self.tried.frame
            for key in KEYS:
                np.testing.assert_array_equal(one.vector(key), other.vector(key), err_msg=key)
            assert (one.status.frames, one.status.lost_frames) == (other.status.frames, other.status.lost_frames)
            assert one.status.gaps == other.status.gaps

    @invariant()
    def every_second_is_heard_or_told_to_be_missing(self) -> None:
        if getattr(self, "began", None) is None:
            return
        status = self.status
        if status.state in ("running", "held", "invalid"):
            passed = self.plain.now() - self.began
            off = abs(passed - status.elapsed_seconds)
            assert off <= COUNTED_WITHIN_SECONDS + self.unsure, (passed, status.elapsed_seconds)
            assert status.gaps <= self.gaps, (status.gaps, self.gaps)

    @invariant()
    def held_readings_stand(self) -> None:
        if getattr(self, "frozen", None) is not None and self.frozen.size:
            np.testing.assert_array_equal(self.plain.frame.values, self.frozen)

    def teardown(self) -> None:
        for side in getattr(self, "sides", ()):
            side.engine.close()
        if hasattr(self, "folder"):
            shutil.rmtree(self.folder)


AnyOrder.TestCase.settings = settings(
    max_examples=EXAMPLES,
    stateful_step_count=25,
    derandomize=True,
    deadline=None,
    phases=[Phase.explicit, Phase.generate] if EXAMPLES < 50 else list(Phase),
    suppress_health_check=list(HealthCheck),
)
TestAnyOrder = AnyOrder.TestCase
