"""A pair followed live: its lag is found, followed and found again; what lies between two lags is no squeeze."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from dsp.core.signals import pink_noise, tone
from dsp.core.types import FloatArray
from dsp.stage.pair_follower import (
    AFTER,
    BOTH,
    FOUND,
    LINING_UP,
    LISTENING,
    SILENT,
    UNRELATED,
    WANDERS,
    PairFollower,
)
from dsp.stage.pair_sound import PairSound
from tests.support.stages import RATE_HZ, delayed, phrases

SOUND = phrases(14.0)
GAIN = 10.0 ** (3.0 / 20.0)
STEP = RATE_HZ // 4


def followed(before: FloatArray, after: FloatArray, block: int = STEP) -> Iterator[tuple[float, PairFollower]]:
    """The follower after each quarter of a second, with the seconds so far."""
    pair = np.concatenate([before, after], axis=1).T.astype(np.float32)
    follower = PairFollower(RATE_HZ, before.shape[1])
    done = 0
    for end in range(STEP, pair.shape[1] + 1, STEP):
        for start in range(done, end, block):
            follower.push(pair[:, start : min(start + block, end)])
        done = end
        yield end / RATE_HZ, follower


def last(steps: Iterator[tuple[float, PairFollower]]) -> PairFollower:
    return [follower for _, follower in steps][-1]


def changed(
    before: FloatArray, first: FloatArray, second: FloatArray, seconds: float
) -> tuple[FloatArray, FloatArray]:
    """Before, and after that is the first until then, and the second from there on."""
    at = round(seconds * RATE_HZ)
    return before, np.concatenate([first[:at], second[at:]])


def change_lu(follower: PairFollower) -> float:
    return follower.phrase.changes(follower.phrase.parts())[0].loud_lu


@pytest.mark.parametrize("frames", [0.0, 137.0, 0.5, -70.0, 2400.0, 19_000.0])
def test_the_lag_is_found_within_three_seconds(frames: float) -> None:
    """Up to half a second either way, to a fraction; negative when the two are exchanged."""
    sound = SOUND[: 3 * RATE_HZ]
    found = [
        seconds for seconds, follower in followed(sound, GAIN * delayed(sound, frames)) if follower.alignment.related
    ]
    follower = last(followed(sound, GAIN * delayed(sound, frames)))
    assert found[0] <= (1.5 if abs(frames) < 9000.0 else 3.0)
    assert follower.alignment.lag_frames == pytest.approx(frames, abs=0.05)
    assert follower.notes == ()
    if abs(frames) < 9000.0:
        assert follower.state == FOUND
        assert change_lu(follower) == pytest.approx(3.0, abs=0.02)


@pytest.mark.parametrize("block", [1000, 7, STEP + 11])
def test_any_block_size_finds_the_same(block: int) -> None:
    before, after = changed(SOUND, GAIN * delayed(SOUND, 137.0), delayed(SOUND, 201.0), 5.13)
    sides = before[: 8 * RATE_HZ], after[: 8 * RATE_HZ]
    whole, pieces = last(followed(*sides)), last(followed(*sides, block if block > 7 else 700))
    assert (pieces.state, pieces.notes, pieces.alignment) == (whole.state, whole.notes, whole.alignment)
    assert pieces.phrase.frames == whole.phrase.frames > 0
    one, other = (follower.phrase.stretch(follower.phrase.parts()) for follower in (pieces, whole))
    np.testing.assert_allclose(one.steps, other.steps, rtol=1e-6)


@pytest.mark.parametrize(("first", "second"), [(137.0, 201.0), (0.0, 64.0), (64.0, 0.0), (300.0, 3300.0)])
def test_a_delay_that_jumps_is_found_again_and_nothing_is_squeezed_meanwhile(first: float, second: float) -> None:
    """A stage of plain gain: any squeeze would be that of the jump. The jump is nowhere near the grid of pieces."""
    before, after = changed(SOUND, GAIN * delayed(SOUND, first), delayed(SOUND, second), 6.17)
    states = []
    for seconds, follower in followed(before, after):
        states.append(follower.state)
        if follower.state != FOUND:
            continue
        assert round(follower.alignment.lag_frames) == (first if seconds < 7.5 else second)
        stretch = follower.phrase.stretch(follower.phrase.parts())
        known = np.isfinite(stretch.steps[0])
        # Fractions of a step at the edges aside, the gain of every millisecond is the one of its time.
        gain_db = 10.0 * np.log10(stretch.steps[1][known] / stretch.steps[0][known])
        usual_db = 3.0 if round(follower.alignment.lag_frames) == first else 0.0
        assert np.abs(gain_db - usual_db).max() < 0.1
        if seconds > 6.17 + 3.0:
            assert usual_db == 0.0
    assert states[-1] == FOUND
    assert LINING_UP in states
    words = f"moved from {first:.0f} to {second:.0f} samples"
    assert follower.notes == (f"The delay {words}; the figures restarted there.",)


def test_a_polarity_that_turns_begins_another_phrase() -> None:
    """Of one channel: opposite polarity in a phrase would pass for sound added."""
    sound = phrases(8.0, channels=2)
    turned = sound * np.array([1.0, -1.0])
    follower = last(followed(*changed(sound, sound, turned, 4.3)))
    assert follower.alignment.inverted == (False, True)
    assert follower.notes == ("The polarity of the sound after changed; the figures restarted there.",)
    transfer = follower.phrase.stretch(follower.phrase.parts()).transfer
    assert transfer is not None
    assert transfer.added_db < -80.0


def test_unrelated_sides_are_said_to_be_and_found_when_they_are_related_again() -> None:
    other = phrases(14.0, seed=8)
    before, after = changed(SOUND, other, delayed(SOUND, 40.0), 7.0)
    states = {seconds: follower.state for seconds, follower in followed(before, after)}
    assert states[3.5] == LISTENING
    assert states[5.0] == states[7.0] == UNRELATED
    assert states[14.0] == FOUND


def test_a_stage_that_is_taken_away_is_unrelated_in_a_few_seconds() -> None:
    before, after = changed(SOUND, delayed(SOUND, 40.0), phrases(14.0, seed=8), 4.0)
    states = {seconds: follower.state for seconds, follower in followed(before, after)}
    assert states[4.0] == FOUND
    assert states[6.5] == LINING_UP
    assert states[10.5] == UNRELATED


@pytest.mark.parametrize(("silent", "side"), [((0, 1), BOTH), ((1,), AFTER)])
def test_silence_is_said_and_the_phrase_stays(silent: Sequence[int], side: str) -> None:
    """Music that stops, or one side that is muted, is no squeeze."""
    both = np.concatenate([SOUND, GAIN * delayed(SOUND, 137.0)], axis=1)
    both[4 * RATE_HZ : 9 * RATE_HZ, silent] = 0.0
    for seconds, follower in followed(both[:, :1], both[:, 1:]):
        if seconds == 8.0:
            assert (follower.state, follower.silent_side) == (SILENT, side)
            assert 2.5 < follower.phrase.seconds <= 4.0
    assert (follower.state, follower.silent_side) == (FOUND, "")
    assert change_lu(follower) == pytest.approx(3.0, abs=0.05)
    assert follower.alignment.lag_frames == pytest.approx(137.0, abs=0.05)


def test_short_rests_count_as_they_do_in_a_file() -> None:
    both = np.concatenate([SOUND, GAIN * SOUND], axis=1)
    for at in range(2, 12):
        both[at * RATE_HZ : at * RATE_HZ + 3 * STEP] = 0.0
    follower = last(followed(both[:, :1], both[:, 1:]))
    assert follower.state == FOUND
    assert follower.phrase.seconds > 12.5
    assert follower.phrase.stretch(follower.phrase.parts()).transfer is not None


def test_nothing_at_all_is_silence() -> None:
    nothing = np.zeros((3 * RATE_HZ, 1))
    follower = last(followed(nothing, nothing))
    assert (follower.state, follower.silent_side, follower.phrase.frames) == (SILENT, BOTH, 0)


def test_a_steady_tone_keeps_its_lag() -> None:
    """It fits at every period."""
    sound = tone(440.0, -12.0, 8.0, RATE_HZ, 1)
    states = [follower.state for _, follower in followed(sound, 0.5 * np.roll(sound, 30, axis=0))]
    assert LINING_UP not in states
    assert states[-1] == FOUND


def test_a_delay_that_wanders_is_said_to() -> None:
    """By ten samples either way once a second, as tape does."""
    seconds = np.arange(len(SOUND)) / RATE_HZ
    late = 0.005 + 0.0002 * np.sin(2.0 * np.pi * seconds)
    wandering = np.interp(seconds - late, seconds, SOUND[:, 0])[:, None]
    follower = last(followed(SOUND, wandering))
    assert follower.wanders
    assert WANDERS in follower.notes
    assert follower.state == FOUND


def test_a_gap_is_not_read_across() -> None:
    after = GAIN * delayed(SOUND, 137.0)
    pair = np.concatenate([SOUND, after], axis=1).T.astype(np.float32)
    follower = PairFollower(RATE_HZ, 1)
    follower.push(pair[:, : 5 * RATE_HZ])
    follower.go_on(6 * RATE_HZ + 77)
    follower.push(pair[:, 6 * RATE_HZ + 77 : 10 * RATE_HZ])
    stretch = follower.phrase.stretch(follower.phrase.parts())
    assert follower.notes == ()
    assert np.isnan(stretch.steps[0]).any()
    known = np.isfinite(stretch.steps[0])
    np.testing.assert_allclose(10.0 * np.log10(stretch.steps[1][known] / stretch.steps[0][known]), 3.0, atol=0.1)


def test_changes_since_the_mark_begin_at_its_frame() -> None:
    """Plain gain of 3 dB, then of -2 dB; the mark is set at that moment."""
    at = round(5.3 * RATE_HZ)
    before, after = changed(SOUND, GAIN * SOUND, 10.0 ** (-2.0 / 20.0) * SOUND, 5.3)
    source = PairSound(RATE_HZ, 2)
    pair = np.concatenate([before, after], axis=1)
    follower = None
    for start, end in ((0, at), (at, 13 * RATE_HZ)):
        source.push(pair[start:end])
        if end == at:
            source.mark()
        stretch = source.stretch()
        assert stretch is not None
        follower = stretch.followed()
    assert follower is not None
    short, marked = follower.phrase.changes(follower.phrase.parts())
    assert (marked.loud_lu, marked.low_db) == pytest.approx((-2.0, -2.0), abs=0.02)
    assert (short.loud_lu, short.low_db) == pytest.approx((-2.0, -2.0), abs=0.02)
    source.push(pair[13 * RATE_HZ :])
    source.mark()
    stretch = source.stretch()
    assert stretch is not None
    assert np.isnan(stretch.followed().phrase.changes(follower.phrase.parts())[1].loud_lu)


def test_sound_that_nobody_took_is_a_gap() -> None:
    source = PairSound(RATE_HZ, 2)
    pair = np.concatenate([SOUND, SOUND], axis=1)
    for start in range(0, 12 * RATE_HZ, RATE_HZ):
        source.push(pair[start : start + RATE_HZ])
    stretch = source.stretch()
    assert stretch is not None
    assert stretch.begins > 0
    assert source.stretch() is None
    assert stretch.followed().state == FOUND


def test_noise_is_unrelated_to_other_noise_with_the_same_lows() -> None:
    rng = np.random.default_rng(5)
    one, other = (pink_noise(rng, -20.0, 6.0, RATE_HZ, 1) for _ in range(2))
    assert last(followed(one, other)).state == UNRELATED


def test_a_bypass_that_is_flipped_every_few_seconds_does_not_wander() -> None:
    after = np.array(SOUND)
    for start in range(0, len(SOUND), 6 * RATE_HZ):
        after[start : start + 3 * RATE_HZ] = delayed(SOUND, 64.0)[start : start + 3 * RATE_HZ]
    follower = last(followed(SOUND, after))
    assert not follower.wanders
    assert follower.state == FOUND


def test_a_stage_that_takes_the_lows_is_lined_up() -> None:
    """A high-pass of second order at 1 kHz takes most of the power, and turns the phase of the rest."""
    after = np.asarray(sosfilt(butter(2, 1000.0, "high", fs=RATE_HZ, output="sos"), delayed(SOUND, 137.0), axis=0))
    states = [(follower.state, follower.alignment.lag_frames) for _, follower in followed(SOUND, after)]
    assert states[-1][0] == FOUND
    assert states[-1][1] == pytest.approx(137.0, abs=4.0)
    assert LINING_UP not in [state for state, _ in states]


def test_silence_before_the_first_sound_does_not_count() -> None:
    late = np.concatenate([np.zeros((round(1.1 * RATE_HZ), 1)), SOUND[: 6 * RATE_HZ]])
    follower = last(followed(late, GAIN * late))
    assert follower.phrase.seconds <= 6.0


def kicks(seconds: float) -> FloatArray:
    """A hit every half second that falls from 120 to 45 Hz: alike each time, low, with rests between."""
    at = np.arange(round(seconds * RATE_HZ)) / RATE_HZ % 0.5
    hz = 45.0 + 75.0 * np.exp(-at / 0.03)
    return np.asarray(np.sin(2.0 * np.pi * np.cumsum(hz) / RATE_HZ) * np.exp(-at / 0.08))[:, None]


def test_hits_that_are_all_alike_are_not_taken_for_each_other() -> None:
    """Driven hits correlate as well half a second later."""
    sound = kicks(8.0)
    follower = last(followed(sound, np.tanh(4.0 * np.roll(sound, 100, axis=0))))
    assert follower.state == FOUND
    assert follower.alignment.lag_frames == pytest.approx(100.0, abs=3.0)


def test_a_small_jump_of_low_hits_is_found() -> None:
    """64 samples are a fifteenth of a period of 50 Hz."""
    sound = kicks(12.0)
    follower = last(followed(*changed(sound, sound, np.roll(sound, 64, axis=0), 6.1)))
    assert follower.alignment.lag_frames == pytest.approx(64.0, abs=0.1)
    transfer = follower.phrase.stretch(follower.phrase.parts()).transfer
    assert transfer is not None
    assert transfer.added_db < -80.0


def test_a_note_that_is_held_fits_at_every_period_and_is_lined_up_at_the_shortest_lag() -> None:
    """Through a low-pass, so that no period fits exactly."""
    rng = np.random.default_rng(4)
    at = np.arange(6 * RATE_HZ) / RATE_HZ
    tones = [np.sin(2.0 * np.pi * 200.0 * n * at + rng.uniform(0.0, 6.0)) / n for n in range(1, 20)]
    note = np.sum(tones, axis=0)[:, None] * 0.1
    after = np.asarray(sosfilt(butter(2, 1000.0, fs=RATE_HZ, output="sos"), np.roll(note, 40, axis=0), axis=0))
    follower = last(followed(note, after))
    assert follower.state == FOUND
    assert 35.0 < follower.alignment.lag_frames < 60.0


def test_hiss_that_covers_the_highs_leaves_the_pair_lined_up() -> None:
    sound = kicks(8.0)
    hiss = np.random.default_rng(2).normal(scale=0.03, size=sound.shape)
    states = [follower.state for _, follower in followed(sound, sound + hiss)]
    assert states[8:] == [FOUND] * (len(states) - 8)
