"""Fair or not from the mix alone: a loop, a bypass that is flipped, and what must not be taken for one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from dsp.core.types import FloatArray
from dsp.loudness.k_weighting import KWeighting
from dsp.passages.repeat_stream import RepeatStream
from dsp.passages.repeats import Repeats, TwoStates, compare_repeats
from tests.support.invented_music import invented_music

RATE_HZ = 16_000
LOOP_SECONDS = 8 * 4 * 60.0 / 100.0
"""Eight bars at 100 to the minute."""
FLIP_SECONDS = 4.0
TURNS = 4


def looped(seed: int, turns: int = TURNS) -> FloatArray:
    return np.tile(invented_music(seed, LOOP_SECONDS, RATE_HZ, 100.0), (turns, 1))


@pytest.fixture(scope="module")
def loop() -> FloatArray:
    return looped(1)


def flips(seconds: float, every: float = FLIP_SECONDS) -> FloatArray:
    return np.arange(every, seconds, every)


def flipped(out: FloatArray, through: FloatArray, at: FloatArray | None = None) -> FloatArray:
    """Sound that begins with the stage out and changes to the other at each of these times, in seconds."""
    at = flips(len(out) / RATE_HZ) if at is None else at
    is_in = np.searchsorted(at, np.arange(len(out)) / RATE_HZ, side="right") % 2 == 1
    return np.where(is_in[:, None], through, out)


def gain(level_db: float) -> float:
    return float(10.0 ** (level_db / 20.0))


def stream_of(signal: FloatArray, marks: FloatArray | None = None, block: int = 8000) -> RepeatStream:
    stream = RepeatStream(RATE_HZ, signal.shape[1])
    edges = {*range(0, len(signal), block), *(round(mark * RATE_HZ) for mark in (marks if marks is not None else ()))}
    starts = sorted(edges)
    for start, stop in zip(starts, [*starts[1:], len(signal)], strict=True):
        if marks is not None and start in {round(mark * RATE_HZ) for mark in marks}:
            stream.mark()
        stream.process(signal[start:stop])
    return stream


def compared(signal: FloatArray, marks: FloatArray | None = None) -> Repeats:
    return compare_repeats(stream_of(signal, marks).stretch())


def found(signal: FloatArray, marks: FloatArray | None = None) -> TwoStates:
    outcome = compared(signal, marks)
    assert outcome.states is not None, outcome
    return outcome.states


def loudness_change(out: FloatArray, through: FloatArray) -> float:
    """Of one turn, BS.1770-5 without its gate."""
    turn = round(LOOP_SECONDS * RATE_HZ)
    one, other = (np.sum(KWeighting(RATE_HZ, 2).process(each)[turn : 2 * turn] ** 2) for each in (out, through))
    return 10.0 * math.log10(other / one)


@pytest.mark.parametrize("level_db", [0.9, -0.4, 0.15])
def test_a_gain_is_found_without_a_key(loop: FloatArray, level_db: float) -> None:
    states = found(flipped(loop, gain(level_db) * loop))
    assert states.change_lu == pytest.approx(abs(level_db), abs=0.02)
    assert states.low_change_db == pytest.approx(abs(level_db), abs=0.02)
    stage_is_in = len(flips(TURNS * LOOP_SECONDS)) % 2 == 1
    assert states.newest_is_second == (stage_is_in == (level_db > 0.0)), "which plays now"
    assert not states.marked
    assert states.seconds > 10.0


def test_the_lows_are_given_beside_the_loudness(loop: FloatArray) -> None:
    """K-weighting discounts lows: a lift of the lows alone changes the loudness by much less."""
    lifted = loop + (gain(4.0) - 1.0) * sosfilt(butter(1, 120.0, "lowpass", fs=RATE_HZ, output="sos"), loop, axis=0)
    states = found(flipped(loop, lifted))
    assert states.change_lu == pytest.approx(loudness_change(loop, lifted), abs=0.2)
    assert states.low_change_db > states.change_lu + 1.0


def squeezed(signal: FloatArray) -> FloatArray:
    """Turned down by half of what is above -26 dB within some ten milliseconds, and 3 dB up."""
    mean = sosfilt(butter(1, 8.0, fs=RATE_HZ, output="sos"), (signal**2).sum(axis=1))
    over_db = np.maximum(10.0 * np.log10(np.maximum(mean, 1e-12)) + 26.0, 0.0)
    return np.asarray(signal * 10.0 ** ((3.0 - 0.5 * over_db) / 20.0)[:, None])


def test_a_squeeze_with_make_up_is_found_at_its_mean_change(loop: FloatArray) -> None:
    through = squeezed(loop)
    level = found(flipped(loop, through))
    assert level.change_lu == pytest.approx(abs(loudness_change(loop, through)), abs=0.2)
    quiet = through * gain(-loudness_change(loop, through))
    assert found(flipped(loop, quiet)).change_lu == pytest.approx(0.0, abs=0.2), "fair, though it squeezes"


def test_a_stage_of_other_latency(loop: FloatArray) -> None:
    states = found(flipped(loop, gain(0.7) * np.roll(loop, 21, axis=0)))
    assert states.change_lu == pytest.approx(0.7, abs=0.05)


def test_two_turns_suffice_when_one_is_louder(loop: FloatArray) -> None:
    two = loop[: round(2 * LOOP_SECONDS * RATE_HZ)]
    states = found(flipped(two, gain(-1.0) * two, np.array([LOOP_SECONDS])))
    assert states.change_lu == pytest.approx(1.0, abs=0.02)
    assert not states.newest_is_second


@pytest.mark.parametrize("every", [LOOP_SECONDS / 4.0, 1000.0], ids=["always at the same bars", "never"])
def test_no_switch_can_be_heard(loop: FloatArray, every: float) -> None:
    signal = flipped(loop, gain(2.0) * loop, flips(TURNS * LOOP_SECONDS, every))
    outcome = compared(signal)
    assert (outcome.outcome, outcome.plays) == ("no switch", TURNS)
    assert outcome.loop_seconds == pytest.approx(LOOP_SECONDS, abs=1e-4)


def test_music_that_does_not_repeat_gives_nothing() -> None:
    """The drums repeat every bar, the notes do not."""
    outcome = compared(invented_music(3, 60.0, RATE_HZ, 100.0))
    assert outcome.outcome in ("nothing repeats", "repeats differ")


@pytest.mark.parametrize(
    ("level_db", "every"), [(-6.0, LOOP_SECONDS / 2.0), (-12.0, LOOP_SECONDS), (-12.0, 7.0), (-20.0, 7.0)]
)
def test_another_sound_that_comes_and_goes_is_no_stage(loop: FloatArray, level_db: float, every: float) -> None:
    part = invented_music(8, LOOP_SECONDS, RATE_HZ, 101.3, drum_seed=5)
    both = loop + gain(level_db) * np.tile(part, (TURNS, 1))
    outcome = compared(flipped(loop, both, flips(TURNS * LOOP_SECONDS, every)))
    assert outcome.states is None, outcome


def test_a_new_sound_in_each_turn_means_that_they_differ(loop: FloatArray) -> None:
    voice = invented_music(9, TURNS * LOOP_SECONDS, RATE_HZ, 97.0, drum_seed=6)[: len(loop)]
    assert compared(flipped(loop, gain(1.0) * loop) + voice).states is None


def test_a_slow_fade_is_no_switch(loop: FloatArray) -> None:
    fade = 10.0 ** (-0.1 * np.arange(len(loop)) / RATE_HZ / 20.0)
    assert compared(loop * fade[:, None]).states is None


def test_silence_and_too_little_sound() -> None:
    assert compared(np.zeros((30 * RATE_HZ, 2))).outcome == "listening"
    assert compared(looped(1, 1)[: 5 * RATE_HZ]).outcome == "listening"
    assert compare_repeats(RepeatStream(RATE_HZ, 2).stretch()).outcome == "listening"


def test_marks_name_the_states(loop: FloatArray) -> None:
    """The key comes some tenths of a second late; the first state is what played before the first mark."""
    at = flips(TURNS * LOOP_SECONDS)
    states = found(flipped(loop, gain(-0.8) * loop, at), at + 0.25)
    assert states.marked
    assert states.change_lu == pytest.approx(-0.8, abs=0.02)
    assert states.newest_is_second == (len(at) % 2 == 1)


def test_marks_clear_up_a_squeeze_that_is_flipped_at_the_start_of_the_loop(loop: FloatArray) -> None:
    at = np.arange(1, TURNS) * LOOP_SECONDS
    through = gain(2.0) * squeezed(loop)
    signal = np.roll(flipped(loop, through, at), -5 * RATE_HZ, axis=0)
    assert compared(signal).outcome == "not clear"
    states = found(signal, at - 4.8)
    assert states.marked
    assert states.change_lu == pytest.approx(loudness_change(loop, through), abs=0.2)


def test_marks_give_the_states_of_a_switch_that_changes_nothing(loop: FloatArray) -> None:
    states = found(loop, flips(TURNS * LOOP_SECONDS))
    assert states.marked
    assert states.change_lu == pytest.approx(0.0, abs=1e-3)


def test_marks_of_something_else_are_left_aside(loop: FloatArray) -> None:
    states = found(flipped(loop, gain(-0.8) * loop), np.arange(2.5, TURNS * LOOP_SECONDS, 7.3))
    assert not states.marked
    assert states.change_lu == pytest.approx(0.8, abs=0.02)


def test_the_start_of_play_is_no_switch(loop: FloatArray) -> None:
    pause = np.zeros((3 * RATE_HZ, 2))
    at = flips(TURNS * LOOP_SECONDS)
    states = found(np.concatenate([pause, flipped(loop, gain(-0.8) * loop, at)]), np.concatenate([[3.0], at + 3.1]))
    assert states.change_lu == pytest.approx(-0.8, abs=0.02), "the first state is still what played first"


def test_lost_sound_is_left_out(loop: FloatArray) -> None:
    signal = flipped(loop, gain(0.9) * loop)
    stream = RepeatStream(RATE_HZ, 2)
    first, last = 50 * RATE_HZ + 77, 51 * RATE_HZ
    stream.process(signal[:first])
    stream.skip(last - first)
    stream.process(signal[last:])
    outcome = compare_repeats(stream.stretch())
    assert outcome.states is not None
    assert outcome.states.change_lu == pytest.approx(0.9, abs=0.02)


def test_after_a_long_gap_only_the_sound_since_then_counts(loop: FloatArray) -> None:
    stream = stream_of(flipped(loop, gain(0.9) * loop))
    stream.skip(3600 * RATE_HZ)
    assert compare_repeats(stream.stretch()).outcome == "listening"
    stream.process(invented_music(4, 20.0, RATE_HZ))
    stretch = stream.stretch()
    assert compare_repeats(stretch).states is None
    assert stretch.end_seconds == pytest.approx(TURNS * LOOP_SECONDS + 3620.0)


@pytest.mark.parametrize("block", [1, 65, 8193])
def test_any_block_size_keeps_the_same(block: int) -> None:
    signal = invented_music(2, 0.6 if block > 1 else 0.1, RATE_HZ)
    one, other = stream_of(signal, block=len(signal)).stretch(), stream_of(signal, block=block).stretch()
    for name in ("wave", "coarse", "energies"):
        np.testing.assert_allclose(getattr(one, name).joined(), getattr(other, name).joined(), rtol=1e-4, atol=1e-9)


def test_no_more_than_two_minutes_are_kept() -> None:
    stream = RepeatStream(RATE_HZ, 1)
    block = np.zeros((10 * RATE_HZ, 1))
    for _ in range(20):
        stream.process(block)
    stretch = stream.stretch()
    assert stretch.wave.joined().shape[1] <= 130 * RATE_HZ
    assert stretch.wave.first + stretch.wave.joined().shape[1] == 200 * RATE_HZ
    assert stream.held_seconds == 120.0
