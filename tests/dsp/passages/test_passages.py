"""Passages: known again over level, tone and start, refused where they are not the same; any blocks, gaps, hours."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pytest
from scipy.signal import butter, sosfilt, sosfiltfilt, welch

from dsp.core.signals import pink_noise, silence, tone
from dsp.core.types import FloatArray
from dsp.passages import passages
from dsp.passages.passage_bands import BANDS, PassageBands
from dsp.passages.passages import LOST, SLACK_FRAMES, PassageMemory, PassageQuery
from tests.support.invented_music import invented_music
from tests.support.passage_follower import PassageFollower
from tests.support.processors import BLOCK_SIZES, random_sizes

RATE_HZ = 16_000
"""The lowest rate at which the top, up to 8 kHz, is whole."""


def follow(*signals: FloatArray, rate_hz: int = RATE_HZ, block: int = 4000) -> PassageFollower:
    follower = PassageFollower(rate_hz, signals[0].shape[1])
    for signal in signals:
        for start in range(0, len(signal), block):
            follower.process(signal[start : start + block])
    return follower


def brighter(signal: FloatArray, gain_db: float) -> FloatArray:
    """A high shelf at 2 kHz by a first-order high-pass added to the signal."""
    sos = butter(1, 2000.0, "highpass", fs=RATE_HZ, output="sos")
    return signal + (10.0 ** (gain_db / 20.0) - 1.0) * sosfilt(sos, signal, axis=0)


def welch_change_db(now: FloatArray, then: FloatArray, low_hz: float, high_hz: float) -> float:
    """Change of a band against 120 Hz to 2 kHz by another road: Welch's method of scipy, 0.25 s segments."""
    powers = []
    for signal in (now, then):
        hz, density = welch(signal, RATE_HZ, nperseg=4000, axis=0)
        band, middle = (hz >= low_hz) & (hz < high_hz), (hz >= 120.0) & (hz < 2000.0)
        powers.append(density[band].sum() / density[middle].sum())
    return 10.0 * math.log10(powers[0] / powers[1])


@pytest.fixture(scope="module")
def song() -> FloatArray:
    return invented_music(1, 45.0, RATE_HZ)


@pytest.fixture(scope="module")
def other() -> FloatArray:
    """Another song to the same strokes."""
    return invented_music(2, 70.0, RATE_HZ)


@pytest.mark.parametrize("late_frames", [0, 200, 1000])
def test_the_same_passage_is_known_again_and_its_change_of_tone_told(
    song: FloatArray, other: FloatArray, late_frames: int
) -> None:
    again = 0.7 * brighter(song, 3.0)[late_frames:]
    follower = follow(song, other, again)
    same = follower.same
    assert follower.outcome == "same"
    assert same is not None
    assert same.likeness > 0.97
    assert same.seconds_ago == pytest.approx(115.0 - late_frames / RATE_HZ, abs=0.03)
    assert same.top_change_db == pytest.approx(welch_change_db(again, song, 2000.0, 8000.0), abs=0.2)
    assert same.low_change_db == pytest.approx(welch_change_db(again, song, 20.0, 120.0), abs=0.2)
    assert same.top_change_db > 1.5
    assert same.level_change_db == pytest.approx(20.0 * math.log10(0.7) + 0.3, abs=0.4)


def test_played_again_unchanged_nothing_has_changed(song: FloatArray, other: FloatArray) -> None:
    same = follow(song, other, song).same
    assert same is not None
    assert [same.top_change_db, same.low_change_db, same.level_change_db] == pytest.approx([0.0] * 3, abs=0.1)


def test_louder_lows_alone_leave_the_top_where_it_was(song: FloatArray, other: FloatArray) -> None:
    # Forth and back, so that what is added is in phase.
    lows = sosfiltfilt(butter(4, 100.0, "lowpass", fs=RATE_HZ, output="sos"), song, axis=0)
    louder = song + 0.4 * lows
    same = follow(song, other, louder).same
    assert same is not None
    assert same.low_change_db == pytest.approx(welch_change_db(louder, song, 20.0, 120.0), abs=0.2)
    assert same.low_change_db > 1.5
    assert abs(same.top_change_db) < 0.3


def test_another_song_to_the_same_strokes_is_refused(song: FloatArray, other: FloatArray) -> None:
    follower = follow(song, other[: 30 * RATE_HZ], invented_music(3, 75.0, RATE_HZ))
    assert follower.outcome == "not heard before"
    assert follower.same is None


def test_what_was_heard_less_than_a_minute_ago_is_not_compared(song: FloatArray) -> None:
    assert follow(song, song[: 12 * RATE_HZ]).outcome == "not heard before"


@pytest.mark.parametrize("kind", ["noise", "chord", "silence", "quiet", "broken off"])
def test_what_cannot_be_known_again_is_refused(kind: str, song: FloatArray) -> None:
    """Steady sound has no pattern, and a stop would be the strongest one: all that stops there would be alike."""
    rng = np.random.default_rng(7)
    signal = {
        "noise": pink_noise(rng, -20.0, 150.0, RATE_HZ, 2),
        "chord": tone(220.0, -20.0, 150.0, RATE_HZ, 2) + tone(277.2, -20.0, 150.0, RATE_HZ, 2),
        "silence": silence(150.0, RATE_HZ, 2),
        "quiet": 1e-4 * np.concatenate([song, song, song]),
        "broken off": np.concatenate([song[: 20 * RATE_HZ], silence(6.0, RATE_HZ, 2)] * 4),
    }[kind]
    follower = follow(signal)
    assert follower.outcome == "no pattern"
    assert follower.same is None


def test_before_ten_seconds_it_listens_only(song: FloatArray) -> None:
    follower = PassageFollower(RATE_HZ, 2)
    assert follower.outcome == "listening"
    follower.process(song[: 10 * RATE_HZ - 1])
    assert follower.outcome == "listening"
    assert follower.hours_remembered == pytest.approx(9.9 / 3600.0)


def outcome_of(follower: PassageFollower) -> tuple[object, ...]:
    return follower.outcome, follower.same, follower.hours_remembered


@pytest.fixture(scope="module")
def sitting(song: FloatArray, other: FloatArray) -> FloatArray:
    return np.concatenate([song, other[: 30 * RATE_HZ], brighter(song, 2.0)[: 26 * RATE_HZ]])


@pytest.mark.parametrize("size", [size for size in BLOCK_SIZES if size > 1])
def test_any_block_size_gives_the_same_answer(size: int, sitting: FloatArray) -> None:
    whole = follow(sitting, block=len(sitting))
    assert whole.outcome == "same"
    assert outcome_of(follow(sitting, block=size)) == outcome_of(whole)


def test_single_frames_and_random_blocks_give_the_same_bands() -> None:
    signal = invented_music(4, 0.5, RATE_HZ)
    whole = PassageBands(RATE_HZ, 2).process(signal)
    assert np.isfinite(whole[4:]).all()
    for sizes in (iter([1] * len(signal)), iter(random_sizes(3))):
        np.testing.assert_array_equal(pieces(PassageBands(RATE_HZ, 2), signal, sizes), whole)


def pieces(bands: PassageBands, signal: FloatArray, sizes: Iterable[int]) -> FloatArray:
    found, start = [], 0
    for size in sizes:
        if start >= len(signal):
            break
        found.append(bands.process(signal[start : start + size]))
        start += size
    return np.concatenate(found)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 96_000])
@pytest.mark.parametrize(("hz", "column"), [(40.0, 0), (90.0, 1), (180.0, 2), (800.0, 5), (3600.0, 9)])
def test_a_tone_lies_in_its_band_with_its_power(rate_hz: int, hz: float, column: int) -> None:
    """Parseval: a sine of peak -20 dBFS has a mean square of -23.01 dB re 1.0, in each of two channels."""
    bands = PassageBands(rate_hz, 2).process(tone(hz, -20.0, 1.0, rate_hz, 2))[-1]
    assert 10.0 * math.log10(bands[column]) == pytest.approx(-23.01 + 3.01, abs=0.2)
    assert np.argmax(bands) == column


def test_white_noise_spreads_over_the_bands_as_wide_as_they_are() -> None:
    signal = np.random.default_rng(5).standard_normal((20 * 48_000, 1))
    bands = np.nanmean(PassageBands(48_000, 1).process(signal), axis=0)
    widths = np.diff(passages_edges())
    np.testing.assert_allclose(bands[2:] / (widths[2:] / 24_000.0), 1.0, atol=0.06)


def passages_edges() -> FloatArray:
    from dsp.passages.passage_bands import BAND_EDGES_HZ

    return np.array(BAND_EDGES_HZ, dtype=float)


@pytest.mark.parametrize("channels", [1, 2, 3, 32])
def test_any_number_of_channels(channels: int) -> None:
    signal = np.repeat(invented_music(4, 1.0, RATE_HZ)[:, :1], channels, axis=1)
    bands = PassageBands(RATE_HZ, channels).process(signal)
    assert np.isfinite(bands[4:]).all()
    assert (bands[4:].sum(axis=1) > 0.0).all()


def test_folding_many_channels_down_cancels_nothing_between_left_and_right() -> None:
    """Every other channel goes to the left, the rest to the right: inverted neighbours keep their power."""
    wave = invented_music(4, 1.0, RATE_HZ)[:, :1]
    pair = PassageBands(RATE_HZ, 2).process(wave * [1.0, -1.0])
    many = PassageBands(RATE_HZ, 4).process(wave * [1.0, -1.0, 0.0, 0.0])
    np.testing.assert_allclose(many[4:], pair[4:], rtol=1e-5)


def test_at_a_low_rate_the_top_is_not_compared() -> None:
    song = invented_music(1, 25.0, 8000)
    same = follow(song, invented_music(2, 45.0, 8000), song, rate_hz=8000).same
    assert same is not None
    assert math.isnan(same.top_change_db)
    assert same.low_change_db == pytest.approx(0.0, abs=0.1)


def test_a_gap_in_the_passage_now_or_then_is_not_searched_over(song: FloatArray, other: FloatArray) -> None:
    follower = follow(song, other)
    follower.process(song[: 15 * RATE_HZ])
    follower.skip(800)
    follower.process(song[15 * RATE_HZ + 800 : 18 * RATE_HZ])
    follower.process(song[18 * RATE_HZ : 25 * RATE_HZ])
    assert follower.outcome in ("listening", "not heard before")
    follower.process(song[25 * RATE_HZ : 42 * RATE_HZ])
    assert follower.outcome == "same", "the next whole ten seconds are known again"


def test_a_passage_lost_then_is_not_found_now(song: FloatArray, other: FloatArray) -> None:
    follower = PassageFollower(RATE_HZ, 2)
    for second in range(45):
        follower.process(song[second * RATE_HZ : second * RATE_HZ + 15_000])
        follower.skip(1000)
    for part in (other, song):
        follower.process(part)
    assert follower.outcome == "not heard before"


def test_a_night_asleep_takes_no_time_and_is_counted(song: FloatArray) -> None:
    follower = follow(song)
    follower.skip(8 * 3600 * RATE_HZ)
    assert follower.outcome == "listening"
    follower.process(brighter(song, 2.0))
    same = follower.same
    assert same is not None
    assert same.seconds_ago == pytest.approx(8 * 3600.0 + 45.0, abs=0.1)
    follower.skip(30 * 3600 * RATE_HZ)
    follower.process(song)
    assert follower.outcome == "not heard before", "no longer remembered"
    assert follower.hours_remembered == pytest.approx(10.0)


def test_memory_is_bounded_and_the_oldest_goes_first(song: FloatArray, other: FloatArray) -> None:
    follower = PassageFollower(RATE_HZ, 2, capacity=1000)
    size = follower._memory.stored.ring.nbytes
    for part in (song, other, song):
        follower.process(part)
    assert follower._memory.stored.ring.nbytes == size
    assert follower.outcome == "not heard before", "100 s are kept; the first playing is older"
    assert follower.hours_remembered == pytest.approx(100.0 / 3600.0)


def numbered(number: int) -> FloatArray:
    return np.full(BANDS, 10.0 ** (-number / 10_000.0))


def test_memory_gives_back_what_it_took_across_its_end() -> None:
    memory = PassageMemory(capacity=50)
    frames = 2 * SLACK_FRAMES
    for number in range(frames):
        memory.add(np.full(BANDS, np.nan) if number == frames - 10 else numbered(number))
    stored = memory.stored
    assert (stored.oldest, stored.frames) == (frames - 50, frames)
    expected = [round(-number / 10.0) if number != frames - 10 else LOST for number in range(frames - 50, frames)]
    np.testing.assert_allclose(stored.levels(stored.oldest, frames), np.tile(expected, (BANDS, 1)), atol=1)
    memory.lose(3)
    np.testing.assert_array_equal(memory.stored.levels(frames, frames + 3), np.full((BANDS, 3), LOST))


@pytest.mark.parametrize("kind", ["sound", "short gap", "long gap"])
def test_what_is_searched_stays_as_it_is_while_more_is_stored(kind: str) -> None:
    memory = PassageMemory(capacity=50)
    for number in range(SLACK_FRAMES + 120):
        memory.add(numbered(number))
    stored = memory.stored
    before = stored.levels(stored.oldest, stored.frames).copy()
    if kind == "sound":
        for number in range(SLACK_FRAMES):
            memory.add(numbered(number))
    else:
        memory.lose(SLACK_FRAMES - 1 if kind == "short gap" else 10 * SLACK_FRAMES)
    np.testing.assert_array_equal(stored.levels(stored.oldest, stored.frames), before)


def test_likeness_is_the_plain_correlation_coefficient() -> None:
    """Against numpy's own, one passage at a time."""
    rng = np.random.default_rng(11)
    hops = 10.0 ** rng.uniform(-5.0, -1.0, (passages.QUERY_HOPS, BANDS))
    query = PassageQuery(hops)
    levels = np.round(rng.uniform(-7000.0, -500.0, (BANDS, 160))).astype(np.int16)
    levels[:, 5] = LOST
    found = query.likeness(levels)
    for shift, start in ((0, 6), (1, 20), (3, 60)):
        frames = hops[shift : shift + 400].reshape(100, 4, BANDS).mean(axis=1).T
        now = 10.0 * np.log10(frames)
        then = levels[:, start : start + 100] / 100.0
        now, then = (part - part.mean(axis=1, keepdims=True) for part in (now, then))
        assert found[shift, start] == pytest.approx(np.corrcoef(now.ravel(), then.ravel())[0, 1], abs=1e-3)
    assert (found[:, :6] == 0.0).all()


def test_what_was_heard_before_another_took_over_is_known_again(song: FloatArray, other: FloatArray) -> None:
    """The gap counts: the passage lies as far back as if one had gone on."""
    again = brighter(song, 4.0)
    one, next_one = follow(song, other), PassageFollower(RATE_HZ, 2)
    next_one.restore_state(one.save_state())
    for follower in (one, next_one):
        follower.skip(20 * RATE_HZ)
        for start in range(0, len(again), 4000):
            follower.process(again[start : start + 4000])
    assert one.outcome == "same"
    assert outcome_of(next_one) == outcome_of(one)


def test_of_a_long_sitting_the_beginning_is_handed_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(passages, "HANDED_OUT_FRAMES", 30)
    one, next_one = PassageMemory(100), PassageMemory(100)
    for number in range(140):
        one.add(np.full(BANDS, 10.0 ** (number / 100.0)))
    kept = one.save_state()
    next_one.restore_state(kept)
    assert kept["levels"].shape == (BANDS, 30)
    handed_on = next_one.stored
    assert (handed_on.frames, handed_on.oldest) == (140, 40)
    np.testing.assert_array_equal(handed_on.levels(40, 70), one.stored.levels(40, 70))
    assert (handed_on.levels(70, 140) == LOST).all()
