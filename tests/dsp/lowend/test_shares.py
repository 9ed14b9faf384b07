"""Shares of the low end against closed forms, the sum to 100 %, and what names the part behind a loss in mono."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, freqs

from dsp.lowend.low_band import LowBand
from dsp.lowend.shares import LowShares, LowSums, mono_loss_db, owners_of
from tests.support.low_parts import RATE_HZ, tone

FRAMES = 6 * RATE_HZ


def measure(
    parts: list[np.ndarray], mix: np.ndarray | None = None, block: int = FRAMES, mark_at: int = -1
) -> LowShares:
    columns, first = [], 0
    for feed in [*parts, *([mix] if mix is not None else [])]:
        columns.append(range(first, first + feed.shape[1]))
        first += feed.shape[1]
    splitter = LowBand(RATE_HZ, first)
    mix_columns = columns.pop() if mix is not None else None
    shares = LowShares(splitter.hop_seconds, columns, mix_columns)
    signal = np.hstack([*parts, *([mix] if mix is not None else [])])
    for start in range(0, len(signal), block):
        if start == mark_at:
            shares.mark()
        shares.push(splitter.process(signal[start : start + block]))
    return shares


def sums_of(parts: list[np.ndarray], mix: np.ndarray | None = None) -> LowSums:
    return measure(parts, mix).whole()


def test_tones_of_different_pitch_share_by_power() -> None:
    """-20, -26 and -32 dB at frequencies that never meet: powers 1 : 10^-0.6 : 10^-1.2, less the band's slope."""
    frequencies = np.array([70.0, 52.0, 105.0])
    parts = [tone(f, level, FRAMES) for f, level in zip(frequencies, (-20.0, -26.0, -32.0), strict=True)]
    _, slope = freqs(
        *butter(4, 2 * np.pi * np.array([20.0, 120.0]), "bandpass", analog=True), 2 * np.pi * frequencies
    )
    powers = 10.0 ** np.array([0.0, -0.6, -1.2]) * abs(slope) ** 2
    found = sums_of(parts).share_percent
    np.testing.assert_allclose(found[0], 100 * powers / powers.sum(), atol=0.5)
    np.testing.assert_allclose(found.sum(axis=1), 100.0, atol=1e-9)
    assert found[3, 0] > 98.0  # 60 to 90 Hz belongs to the tone at 70 Hz
    assert found[2, 1] > 95.0
    assert found[4, 2] > 98.0


@pytest.mark.parametrize(("under_db", "percent"), [(10.0, 9.09), (15.0, 3.07), (20.0, 0.99)])
def test_share_of_a_part_so_far_below(under_db: float, percent: float) -> None:
    """Unrelated parts: 100 / (1 + 10^(x/10)) (closed form)."""
    found = sums_of([tone(70.0, -20.0, FRAMES), tone(53.0, -20.0 - under_db, FRAMES)]).share_percent[0]
    assert found[1] == pytest.approx(percent, abs=0.5)


def test_parts_in_step_share_by_amplitude() -> None:
    """The same tone at 1 and 1/2: <x m> is 1.5 and 0.75 of 2.25."""
    found = sums_of([tone(60.0, -20.0, FRAMES), 0.5 * tone(60.0, -20.0, FRAMES)]).share_percent[0]
    np.testing.assert_allclose(found, [66.667, 33.333], atol=0.01)


def test_a_part_that_cancels_has_a_negative_share() -> None:
    """1 and -1/4 of the same tone: 0.75 of 0.5625 and -0.1875 of it."""
    found = sums_of([tone(60.0, -20.0, FRAMES), -0.25 * tone(60.0, -20.0, FRAMES)])
    np.testing.assert_allclose(found.share_percent[0], [133.333, -33.333], atol=0.01)
    assert owners_of(found.share_percent[0]).cancelling == (1,)


def test_noise_shares_and_sums_to_100_percent() -> None:
    """Independent noise at 0, -6 and -12 dB; 100 Hz over 20 s wobbles by some tenths of a decibel."""
    rng = np.random.default_rng(11)
    parts = [gain * 0.1 * rng.standard_normal((20 * RATE_HZ, 2)) for gain in (1.0, 0.5, 0.25)]
    found = sums_of(parts).share_percent
    np.testing.assert_allclose(found[0], 100 * np.array([16, 4, 1]) / 21, atol=3.0)
    np.testing.assert_allclose(found.sum(axis=1), 100.0, atol=1e-9)


def test_complete_cancellation_has_no_shares() -> None:
    part = tone(60.0, -20.0, FRAMES)
    assert np.isnan(sums_of([part, -part, tone(60.0, -200.0, FRAMES)]).share_percent).all()


def test_mono_counts_as_equal_in_left_and_right() -> None:
    part = tone(60.0, -20.0, FRAMES)
    found = sums_of([part, np.repeat(part, 2, axis=1)]).share_percent[0]
    np.testing.assert_allclose(found, [50.0, 50.0], atol=1e-9)


def test_twenty_identical_parts() -> None:
    found = sums_of([tone(60.0, -30.0, FRAMES)] * 20).share_percent[0]
    np.testing.assert_allclose(found, 5.0, atol=1e-9)
    assert len(owners_of(found).owners) == 17


def test_quiet_stretches_do_not_vote() -> None:
    """A second part that plays only 30 dB below the loud half of the song owns nothing of it."""
    loud = tone(70.0, -20.0, FRAMES) * (np.arange(FRAMES) < FRAMES // 2)[:, None]
    quiet = tone(50.0, -50.0, FRAMES) * (np.arange(FRAMES) >= FRAMES // 2)[:, None]
    assert sums_of([loud, quiet]).share_percent[0, 0] > 99.0


@pytest.mark.parametrize(("level_dbfs", "votes"), [(-59.5, True), (-60.5, False)])
def test_the_gate_stands_60_db_under_a_full_scale_sine(level_dbfs: float, votes: bool) -> None:
    """A full-scale sine reads 0 dBFS (AES17) and has an rms of -3.01 dB re 1."""
    part = tone(60.0, level_dbfs - 3.0103, FRAMES)
    for parts in ([part], [np.repeat(part, 2, axis=1)]):
        assert np.isfinite(sums_of(parts).share_percent[0]).all() == votes
        assert np.isfinite(measure(parts).last().share_percent[0]).all() == votes


def test_parts_that_only_together_pass_the_gate_vote() -> None:
    """Two at -64 dBFS in step add up to -58; unrelated ones at -61.5 have as much power as one at -58.5."""
    quiet = tone(60.0, -64.0 - 3.0103, FRAMES)
    assert np.isfinite(sums_of([quiet, quiet]).share_percent[0]).all()
    apart = [tone(frequency, -61.5 - 3.0103, FRAMES) for frequency in (55.0, 70.0)]
    assert np.isfinite(sums_of(apart).share_percent[0]).all()


@pytest.mark.parametrize("gain_db", [-3.0, 0.0, 2.0])
def test_mix_against_the_sum(gain_db: float) -> None:
    parts = [tone(70.0, -20.0, FRAMES), tone(53.0, -26.0, FRAMES)]
    mix = np.repeat(sum(parts), 2, axis=1) * 10 ** (gain_db / 20)
    np.testing.assert_allclose(sums_of(parts, mix).mix_over_sum_db, gain_db, atol=1e-6)
    assert np.isnan(sums_of(parts).mix_over_sum_db).all()


def test_the_part_behind_a_loss_in_mono() -> None:
    """Kick in the middle, a pad at equal power turned over on one side: 3.01 dB lost, none with the pad in mono."""
    kick = np.repeat(tone(70.0, -20.0, FRAMES), 2, axis=1)
    pad = tone(52.0, -20.0, FRAMES) * np.array([[1.0, -1.0]])
    found = sums_of([kick, pad])
    assert found.loss_db[0] == pytest.approx(-3.01, abs=0.05)
    np.testing.assert_allclose(found.part_loss_db[0, 0], 0.0, atol=0.001)
    assert found.part_loss_db[0, 1] < -60.0
    np.testing.assert_allclose(found.loss_with_part_in_mono_db[0], [found.loss_db[0], 0.0], atol=0.05)
    assert found.loss_without_part_db[0, 1] == pytest.approx(0.0, abs=0.05)
    assert found.loss_without_part_db[0, 0] < -40.0


def test_removal_is_what_measuring_without_the_part_says() -> None:
    rng = np.random.default_rng(12)
    parts = [0.1 * rng.standard_normal((FRAMES, 2)) for _ in range(3)]
    without = measure(parts[:2]).whole().loss_db
    np.testing.assert_allclose(sums_of(parts).loss_without_part_db[:, 2], without, atol=1e-6)


def test_owners_others_and_none() -> None:
    assert owners_of(np.array([50.0, 36.0, 10.0, 4.0])).owners == (0, 1)
    assert owners_of(np.array([50.0, 36.0, 10.0, 4.0])).others == (2, 3)
    assert owners_of(np.array([100.0])).owners == (0,)
    assert owners_of(np.array([np.nan, np.nan])).owners == ()
    assert owners_of(np.array([97.0, 3.0])).others == ()


@pytest.mark.parametrize(("first", "owners"), [(84.9, (0, 1)), (85.0, (0,)), (85.1, (0,))])
def test_owners_are_the_smallest_set_that_holds_85_percent(first: float, owners: tuple[int, ...]) -> None:
    assert owners_of(np.array([first, 100.0 - first])).owners == owners
    assert owners_of(np.array([first - 40.0, 40.0, 100.0 - first])).owners == (*range(len(owners) + 1),)


@pytest.mark.parametrize(("share", "named"), [(3.1, True), (2.9, False)])
def test_parts_are_named_from_3_percent_on_either_way(share: float, named: bool) -> None:
    assert (owners_of(np.array([100.0 - share, share])).others == (1,)) == named
    assert (owners_of(np.array([100.0 + share, -share])).cancelling == (1,)) == named


def test_usual_cuts_take_keys_out_of_the_list() -> None:
    """Common practice, no source: keys are cut between 100 and 150 Hz. 18 dB per octave at 120 Hz do it here:
    a keys part 10 dB under the bass loses 20.3 dB at 55 Hz (closed form), and with it its 9 %."""
    bass, keys = tone(70.0, -20.0, FRAMES), tone(55.0, -30.0, FRAMES)
    assert owners_of(sums_of([bass, keys]).share_percent[0]).others == (1,)
    lost_db = 10 * np.log10(1 + (120 / 55) ** 6)
    assert lost_db == pytest.approx(20.4, abs=0.1)
    assert owners_of(sums_of([bass, keys * 10 ** (-lost_db / 20)]).share_percent[0]).others == ()


@pytest.mark.parametrize("block", [1, 64, 65, 480, 8192, 8193])
def test_any_block_size_gives_the_same(block: int) -> None:
    rng = np.random.default_rng(13)
    frames = RATE_HZ if block > 1 else RATE_HZ // 2
    parts = [0.1 * rng.standard_normal((frames, 2)), 0.1 * rng.standard_normal((frames, 1))]
    whole, cut = measure(parts), measure(parts, block=block)
    np.testing.assert_allclose(cut.whole().parts, whole.whole().parts, rtol=1e-9)
    np.testing.assert_allclose(cut.since_mark().parts, whole.since_mark().parts, rtol=1e-9)


def test_last_seconds_mark_and_whole() -> None:
    """First half one part, second half the other: the last 10 s and since the mark know the second only."""
    half = 12 * RATE_HZ
    first = tone(70.0, -20.0, 2 * half) * (np.arange(2 * half) < half)[:, None]
    second = tone(50.0, -20.0, 2 * half) * (np.arange(2 * half) >= half)[:, None]
    shares = measure([first, second], block=half, mark_at=half)
    assert shares.whole().share_percent[0] == pytest.approx([50.0, 50.0], abs=1.0)
    assert shares.last().share_percent[0] == pytest.approx([0.0, 100.0], abs=0.5)
    assert shares.since_mark().share_percent[0] == pytest.approx([0.0, 100.0], abs=0.5)
    assert shares.age_seconds == 0.0


def test_before_sound_and_after_a_gap() -> None:
    splitter = LowBand(RATE_HZ, 2)
    shares = LowShares(splitter.hop_seconds, [(0,), (1,)])
    assert np.isnan(shares.whole().share_percent).all()
    assert np.isnan(shares.last().share_percent).all()
    signal = np.hstack([tone(70.0, -20.0, FRAMES), tone(50.0, -20.0, FRAMES)])
    shares.push(splitter.process(signal))
    before = shares.whole().share_percent[0]
    shares.push(splitter.skip(RATE_HZ))
    shares.push(splitter.process(signal))
    np.testing.assert_allclose(shares.whole().share_percent[0], before, atol=0.5)
    shares.reset()
    assert np.isnan(shares.whole().share_percent).all()


def test_silence_owns_nothing() -> None:
    found = sums_of([np.zeros((FRAMES, 1)), np.zeros((FRAMES, 2))])
    assert np.isnan(found.share_percent).all()
    assert np.isnan(found.loss_db).all()


@pytest.mark.parametrize("parts", [[], [()], [(0, 1, 2)]])
def test_wrong_columns_are_refused(parts: list[tuple[int, ...]]) -> None:
    with pytest.raises(ValueError, match="one channel or two"):
        LowShares(0.05, parts)


def test_mono_loss_of_channel_pairs() -> None:
    """Closed forms: identical 0, unrelated -3.01, 120 degrees -6.02 (mid 1/4, side 3/4), inverted all."""
    mid, side = np.array([1.0, 0.5, 0.25, 0.0, 0.0]), np.array([0.0, 0.5, 0.75, 1.0, 0.0])
    np.testing.assert_allclose(mono_loss_db(mid, side), [0.0, -3.0103, -6.0206, -np.inf, np.nan], atol=1e-4)


def test_sums_worked_out_once_serve_two() -> None:
    splitter = LowBand(RATE_HZ, 3)
    noise = 0.1 * np.random.default_rng(11).standard_normal((2 * RATE_HZ, 3))
    first, second, alone = (LowShares(splitter.hop_seconds, [(0,), (1, 2)]) for _ in range(3))
    for block in (*np.array_split(noise, 3), np.empty((0, 3))):
        hops = splitter.process(block)
        sums = first.sums(hops)
        first.push_sums(sums, hops.shape[2])
        second.push_sums(sums, hops.shape[2])
        alone.push(hops)
    assert np.isfinite(alone.whole().parts).all()
    for shared in (first, second):
        np.testing.assert_array_equal(shared.whole().parts, alone.whole().parts)
        np.testing.assert_array_equal(shared.last().parts, alone.last().parts)
