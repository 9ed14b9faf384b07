"""Two low parts with known gaps, sums and spectra."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.onsets import low_band
from dsp.lowend.pair import CANCELLING, OVERLAPPING, TAKING_TURNS, TOGETHER, Pair, pair, time_overlap
from tests.support.low_parts import RATE_HZ, Sound, held, low_part, place, repeated, resonator

COUNT, EVERY = 16, 0.5


def compare(first: np.ndarray, second: np.ndarray, fundamental_hz: float = 60.0) -> Pair:
    a, b = low_part(first), low_part(second)
    return pair(a.audio(), b.audio(), a.rate_hz, a.spectra(), b.spectra(), fundamental_hz)


def part(sound: Sound, shift: float = 0.0, count: int = COUNT) -> np.ndarray:
    return place(repeated(sound, count, EVERY, 0.1 + shift), COUNT * EVERY + 0.5)


KICK = part(resonator(60, 15))


def both(amplitude: float, phase: float = 0.0) -> Sound:
    return lambda t: amplitude * np.sin(2 * np.pi * 60 * t + phase) * np.exp(-np.pi * 60 * t / 15)


def test_aligned_parts_gain_3_db() -> None:
    found = compare(KICK, KICK)
    assert found.sum_gain.gain_db == pytest.approx(3.01, abs=0.01)
    assert found.timing.gap_ms == pytest.approx(0.0, abs=0.01)
    assert found.timing.coincidences == COUNT
    assert found.sum_gain.nudge_db == pytest.approx(0.0, abs=0.01)
    assert found.sum_gain.flipped_db == found.sum_gain.flip_db == -np.inf
    assert found.overlap == pytest.approx(1.0)
    assert found.second_under_first_db == pytest.approx(0.0, abs=0.01)
    assert found.verdict == TOGETHER


def test_opposite_parts_are_said_to_cancel_and_what_a_flip_would_change() -> None:
    found = compare(KICK, -0.5 * KICK)
    # E(k - k/2) / (1 + 1/4) = 1/5: closed form.
    assert found.sum_gain.gain_db == pytest.approx(10 * np.log10(0.2), abs=0.01)
    assert found.sum_gain.flip_db == pytest.approx(10 * np.log10(2.25 / 1.25) - 10 * np.log10(0.2), abs=0.01)
    assert found.verdict == CANCELLING


def test_complete_cancellation_is_no_figure_and_a_flip_leaves_two_of_one() -> None:
    """Nothing is left, and 10 log10(4 / 2) once flipped (closed form): no change of +63 dB between the two."""
    found = compare(KICK, -KICK)
    assert found.sum_gain.gain_db == -np.inf
    assert found.sum_gain.flipped_db == pytest.approx(3.01, abs=0.01)
    assert found.sum_gain.flip_db == np.inf
    assert np.isnan([found.sum_gain.nudge_ms, found.sum_gain.nudge_db]).all()
    assert found.verdict == CANCELLING


@pytest.mark.parametrize(("loss_db", "verdict"), [(-0.8, TOGETHER), (-1.2, CANCELLING)])
def test_against_each_other_from_a_decibel_on(loss_db: float, verdict: str) -> None:
    """Equal powers at the phase angle a lose 10 log10(1 + cos a) (closed form): either side of -1 dB."""
    angle = np.arccos(10 ** (loss_db / 10) - 1)
    wave = lambda phase: lambda t: 0.3 * np.sin(2 * np.pi * 100 * t + phase) * np.minimum(t / 0.001, 1) * (t < 0.4)  # noqa: E731  # a sound with a phase
    found = compare(part(wave(0.0)), part(wave(angle)))
    assert found.sum_gain.gain_db == pytest.approx(loss_db, abs=0.15)
    assert found.verdict == verdict


@pytest.mark.parametrize("degrees", [0, 45, 90, 120])
def test_sum_gain_follows_the_phase(degrees: float) -> None:
    """Steady tones of equal power and phase angle a: 10 log10(1 + cos a) (closed form), within 0.2 dB."""
    wave = lambda phase: lambda t: 0.3 * np.sin(2 * np.pi * 100 * t + phase) * np.minimum(t / 0.001, 1) * (t < 0.4)  # noqa: E731  # a sound with a phase
    found = compare(part(wave(0.0)), part(wave(np.radians(degrees))))
    assert found.sum_gain.gain_db == pytest.approx(10 * np.log10(1 + np.cos(np.radians(degrees))), abs=0.2)


def test_unrelated_parts_gain_nothing() -> None:
    found = compare(KICK, part(resonator(97, 20)))
    assert found.sum_gain.gain_db == pytest.approx(0.0, abs=0.2)
    assert found.overlap < 0.1


@pytest.mark.parametrize("gap_ms", [-25.0, -12.0, -5.0, 3.0, 8.0, 20.0])
def test_gaps(gap_ms: float) -> None:
    found = compare(KICK, part(held(98.0, 0.3), gap_ms / 1000))
    assert found.timing.gap_ms == pytest.approx(gap_ms, abs=2.0)
    assert found.timing.spread_ms < 1.0


def test_spread_of_gaps() -> None:
    gaps = np.random.default_rng(7).uniform(-0.015, 0.015, COUNT)
    notes = [(0.1 + EVERY * n + gap, resonator(60, 15)) for n, gap in enumerate(gaps)]
    found = compare(KICK, place(notes, COUNT * EVERY + 0.5)).timing
    low, median, high = 1000 * np.percentile(gaps, [10, 50, 90])
    assert found.gap_ms == pytest.approx(median, abs=2.0)
    assert found.spread_ms == pytest.approx(high - low, abs=2.0)


def test_a_nudge_that_would_help_is_found() -> None:
    """The second part is 8 ms late: moving it 8 ms earlier brings the full 3 dB back."""
    found = compare(KICK, part(resonator(60, 15), 0.008)).sum_gain
    assert found.nudge_ms == pytest.approx(-8.0, abs=0.5)
    assert found.gain_db + found.nudge_db == pytest.approx(3.0, abs=0.2)


def test_alternating_parts_take_turns() -> None:
    found = compare(KICK, part(resonator(60, 15), 0.25))
    assert found.verdict == TAKING_TURNS
    assert found.timing.coincidences == 0
    assert np.isnan(found.timing.gap_ms)
    assert np.isnan(found.sum_gain.gain_db)
    assert found.time_overlap < 0.05


@pytest.mark.parametrize(("late_ms", "verdict"), [(29.0, TOGETHER), (31.0, OVERLAPPING), (60.0, OVERLAPPING)])
def test_a_steady_gap_is_stated_on_both_sides_of_30_ms(late_ms: float, verdict: str) -> None:
    """Notes that overlap by most of their length do not take turns, however late the second begins."""
    found = compare(part(held(55.0, 0.4)), part(held(98.0, 0.4), late_ms / 1000))
    assert found.timing.gap_ms == pytest.approx(late_ms, abs=1.0)
    assert found.timing.in_step == COUNT
    assert found.time_overlap > 0.8
    assert np.isfinite(found.sum_gain.gain_db)
    assert found.verdict == verdict


@pytest.mark.parametrize("seconds", [0.2, 0.25, 0.3, 0.35, 0.45])
def test_overlap_in_time(seconds: float) -> None:
    """Notes of one length, half a beat of 0.25 s apart: what outlasts it overlaps on both sides."""
    expected = max(0.0, 2 * (seconds - 0.25)) / seconds
    a, b = (low_part(part(held(55.0, seconds, (1.0,)), shift)) for shift in (0.0, 0.25))
    (first, rate_hz), (second, _) = (low_band(sound.audio(), sound.rate_hz) for sound in (a, b))
    assert time_overlap(first, second, rate_hz) == pytest.approx(expected, abs=0.08)
    found = compare(part(held(55.0, seconds)), part(held(55.0, seconds), 0.25))
    assert (found.verdict == TAKING_TURNS) == (expected < 0.15)


def test_notes_in_no_relation_have_no_gap_and_no_sum() -> None:
    """Onsets drawn for each part alone, nine a second: every second one lies within 30 ms of one of the other's."""
    for seed in range(6):
        rng = np.random.default_rng(seed)
        parts = []
        for _ in range(2):
            starts = 0.1 + np.cumsum(0.08 + rng.exponential(1 / 9 - 0.08, 110))
            notes = [(float(start), held(60.0, 0.09, (1.0,))) for start in starts]
            parts.append(place(notes, 11.5))
        found = compare(*parts)
        assert found.timing.coincidences > 20
        assert found.timing.in_step == 0
        assert found.timing.by_chance == pytest.approx(found.timing.coincidences, rel=0.5)
        assert np.isnan([found.timing.gap_ms, found.timing.spread_ms, found.sum_gain.gain_db]).all()
        assert found.verdict == OVERLAPPING
        assert "no more than by chance" in found.reason


def test_who_is_stronger_in_each_third_octave() -> None:
    found = compare(KICK, 0.5 * KICK)
    assert [band.centre_hz for band in found.bands] == pytest.approx(
        [31.62, 39.81, 50.12, 63.10, 79.43, 100.0, 125.89], abs=0.01
    )
    assert [band.first_over_second_db for band in found.bands] == pytest.approx([6.02] * 7, abs=0.01)
    assert [band.overlap for band in found.bands] == pytest.approx([0.25] * 7, abs=0.001)


def test_room_for_the_kick() -> None:
    assert compare(KICK, 0.1 * KICK).second_under_first_db == pytest.approx(-20.0, abs=0.1)


def test_mono_and_stereo_compare() -> None:
    assert compare(KICK, np.repeat(KICK, 2, axis=1)).sum_gain.gain_db == pytest.approx(3.01, abs=0.01)


def test_a_silent_part() -> None:
    found = compare(KICK, np.zeros_like(KICK))
    assert (found.verdict, found.reason) == ("not yet", "one of the two has no low notes")


@pytest.mark.parametrize("frames", [0, 1, 100])
def test_next_to_no_sound(frames: int) -> None:
    whole = low_part(KICK)
    audio = whole.audio()[:frames]
    found = pair(audio, audio, whole.rate_hz, whole.spectra(), whole.spectra())
    assert (found.verdict, found.reason) == ("not yet", "one of the two has no low notes")


def test_too_few_notes() -> None:
    found = compare(part(resonator(60, 15), count=2), part(resonator(60, 15), count=2))
    assert (found.verdict, found.reason) == ("not yet", "too few notes so far")


def test_stretches_must_be_equal() -> None:
    whole, short = low_part(KICK), low_part(KICK[: RATE_HZ * 3])
    with pytest.raises(ValueError, match="same stretch"):
        pair(whole.audio(), short.audio(), whole.rate_hz, whole.spectra(), short.spectra())


def turning(seconds: float) -> Sound:
    """A 100 Hz tone of 0.4 s that turns its polarity over ``seconds`` after it begins."""
    return lambda t: (
        0.3 * np.sin(2 * np.pi * 100 * t) * np.minimum(t / 0.001, 1) * (t < 0.4) * np.where(t < seconds, 1.0, -1.0)
    )


@pytest.mark.parametrize("together_seconds", [0.1, 0.2])
def test_the_sum_is_that_of_the_first_150_ms_of_each_hit(together_seconds: float) -> None:
    """Equal tones in phase for T, opposed after: 1 + (T - rest) / 0.15 of their power (closed form), at most 2."""
    found = compare(part(turning(1.0)), part(turning(together_seconds)))
    in_phase = min(together_seconds, 0.15)
    expected = 10 * np.log10(1 + (2 * in_phase - 0.15) / 0.15)
    assert found.sum_gain.gain_db == pytest.approx(expected, abs=0.5)
