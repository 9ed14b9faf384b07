"""Loudness as a stream: any blocks, channels by role, pauses, gaps, long runs, extremes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import sosfilt

from dsp.core.signals import pink_noise, silence, stepped_tone, tone
from dsp.core.types import FloatArray, Spec
from dsp.loudness.k_weighting import k_weighting_sos
from dsp.loudness.loudness import LoudnessMeter, position_weight, role_weight
from tests.support.processors import BLOCK_SIZES, blocks, random_sizes

RATE_HZ = 48_000


def heard(signal: FloatArray, sizes: tuple[int, ...] = (), rate_hz: int = RATE_HZ, **kwargs) -> LoudnessMeter:
    meter = LoudnessMeter(Spec(rate_hz, signal.shape[1]), **kwargs)
    for block in blocks(signal, sizes or (max(1, len(signal)),)):
        meter.push(block)
    return meter


def readings(meter: LoudnessMeter) -> list[float]:
    return [
        meter.momentary, meter.short_term, meter.momentary_max, meter.short_term_max, meter.integrated,
        meter.loudness_range, meter.measured_seconds, float(meter.incomplete), *meter.history, *meter.newest_blocks,
        float(meter.blocks_counted),
    ]  # fmt: skip


def music(seconds: float, seed: int = 4) -> FloatArray:
    """Stereo noise that swells and fades within 30 dB."""
    noise = pink_noise(np.random.default_rng(seed), -20.0, seconds, RATE_HZ, 2)
    return noise * (10.0 ** ((15.0 * np.sin(np.arange(len(noise)) / 60_000.0) - 15.0) / 20.0))[:, None]


@pytest.mark.parametrize("size", BLOCK_SIZES)
def test_any_block_size_gives_the_same_readings(size: int) -> None:
    signal = music(4.3)[: 30_000 if size == 1 else None]
    np.testing.assert_allclose(readings(heard(signal, (size,))), readings(heard(signal)), atol=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("rate_hz", [11_025, 44_100])
def test_random_blocks_give_the_same_readings(seed: int, rate_hz: int) -> None:
    signal = music(8.0)
    whole, pieces = heard(signal, rate_hz=rate_hz), heard(signal, tuple(random_sizes(seed)), rate_hz=rate_hz)
    np.testing.assert_allclose(readings(pieces), readings(whole), atol=1e-9)


def test_integrated_and_range_agree_with_a_slow_exact_implementation() -> None:
    signal = music(60.0)
    energies = np.square(sosfilt(k_weighting_sos(RATE_HZ), signal, axis=0)).sum(axis=1).reshape(-1, 4800).sum(axis=1)

    def windows(count: int) -> FloatArray:
        return np.convolve(energies, np.ones(count), "valid") / (count * 4800)

    def gated(values: FloatArray, relative_lu: float) -> FloatArray:
        above = values[values > 10.0 ** ((-70.0 + 0.691) / 10.0)]
        return np.asarray(above[above > above.mean() * 10.0 ** (relative_lu / 10.0)])

    meter = heard(signal)
    expected = -0.691 + 10.0 * np.log10(gated(windows(4), -10.0).mean())
    assert meter.integrated == pytest.approx(expected, abs=0.002)
    short_terms = np.sort(10.0 * np.log10(gated(windows(30), -20.0)))
    low, high = (short_terms[int((len(short_terms) - 1) * share + 0.5)] for share in (0.10, 0.95))
    assert meter.loudness_range == pytest.approx(high - low, abs=0.05)


def test_the_newest_blocks_are_the_gating_blocks_one_after_the_other() -> None:
    signal = music(3.0)
    energies = np.square(sosfilt(k_weighting_sos(RATE_HZ), signal, axis=0)).sum(axis=1).reshape(-1, 4800).sum(axis=1)
    blocks_lufs = -0.691 + 10.0 * np.log10(np.convolve(energies, np.ones(4), "valid") / 19_200)  # BS.1770-5 Annex 1
    meter = heard(signal)
    assert meter.blocks_counted == len(blocks_lufs) == 27
    np.testing.assert_allclose(meter.newest_blocks, blocks_lufs[-20:], atol=1e-6)
    meter.skip(4800)
    assert meter.blocks_counted == 27, "a block that touches a gap is none"
    meter.reset()
    assert meter.blocks_counted == 0
    assert np.isnan(meter.newest_blocks).all()


def test_windows_are_not_yet_until_they_are_full() -> None:
    signal = tone(1000.0, -23.0, 3.0, RATE_HZ, 2)
    meter = LoudnessMeter(Spec(RATE_HZ, 2))
    assert all(math.isnan(value) for value in readings(meter)[:6])
    meter.push(signal[: 40 * 480 - 1])
    assert math.isnan(meter.momentary)
    assert math.isnan(meter.integrated)
    meter.push(signal[40 * 480 - 1 : 300 * 480 - 1])
    assert meter.momentary == pytest.approx(-22.9933, abs=0.001)
    assert math.isnan(meter.short_term)
    assert math.isnan(meter.loudness_range)
    meter.push(signal[300 * 480 - 1 :])
    assert meter.short_term == pytest.approx(-22.9933, abs=0.001)
    assert meter.loudness_range == 0.0


def test_silence_reads_minus_infinity_and_has_no_range() -> None:
    meter = heard(silence(4.0, RATE_HZ, 2))
    assert [meter.momentary, meter.short_term, meter.momentary_max, meter.integrated] == [-math.inf] * 4
    assert math.isnan(meter.loudness_range)


def test_silence_after_sound_reads_minus_infinity_again() -> None:
    meter = heard(np.concatenate([tone(1000.0, 60.0, 1.0, RATE_HZ, 2), silence(5.0, RATE_HZ, 2)]))
    assert meter.momentary == -math.inf
    assert meter.short_term == -math.inf
    assert meter.integrated > 50.0


def test_the_highest_sample_that_the_host_lets_in_is_read_as_it_is() -> None:
    # 60 dBFS sine: -3.01 + 60 in one channel, +3.01 for two; a gate 10 LU below the mean still works up there.
    meter = heard(stepped_tone(997.0, [(60.0, 4.0), (30.0, 4.0)], RATE_HZ, 2))
    assert meter.momentary_max == pytest.approx(60.0, abs=0.01)
    assert meter.integrated == pytest.approx(60.0, abs=0.2)


@pytest.mark.parametrize(
    ("channels", "expected"),
    [
        (1, -23.0 - 3.0103),
        (2, -23.0),
        (6, -23.0 - 3.0103 + 10.0 * math.log10(3.0 + 2 * 1.41)),
        (8, -23.0 - 3.0103 + 10.0 * math.log10(5.0 + 2 * 1.41)),
    ],
)
def test_channels_are_weighted_by_role(channels: int, expected: float) -> None:
    assert heard(tone(997.0, -23.0, 2.0, RATE_HZ, channels)).integrated == pytest.approx(expected, abs=0.001)


def test_weights_can_be_given_for_other_layouts() -> None:
    heights = (1.0, 1.0, position_weight(110.0, 35.0), position_weight(-90.0))
    meter = heard(tone(997.0, -23.0, 2.0, RATE_HZ, 4), weights=heights)
    assert meter.integrated == pytest.approx(-26.0103 + 10.0 * math.log10(3.0 + 1.41), abs=0.001)
    assert [role_weight(role) for role in ("Lb", "7", "LFE", "Rs")] == [1.0, 1.0, 0.0, 1.41]


def test_a_feed_of_nothing_but_lfe_is_silent() -> None:
    meter = LoudnessMeter(Spec(RATE_HZ, 1, ("LFE",)))
    meter.push(tone(50.0, 0.0, 1.0, RATE_HZ))
    assert meter.integrated == -math.inf


def test_wrong_shapes_are_refused() -> None:
    with pytest.raises(ValueError, match="shape"):
        LoudnessMeter(Spec(RATE_HZ, 2)).push(np.zeros((10, 3)))
    with pytest.raises(ValueError, match="weights"):
        LoudnessMeter(Spec(RATE_HZ, 2), weights=(1.0,))


def test_what_is_heard_during_a_pause_is_not_counted() -> None:
    meter = heard(tone(1000.0, -30.0, 5.0, RATE_HZ, 2))
    before = readings(meter)[2:8]
    meter.pause()
    meter.push(tone(1000.0, -10.0, 5.0, RATE_HZ, 2))
    assert readings(meter)[2:8] == before
    assert meter.momentary == pytest.approx(-9.9933, abs=0.001)
    meter.resume()
    meter.push(tone(1000.0, -30.0, 5.0, RATE_HZ, 2))
    assert meter.integrated == pytest.approx(-29.9933, abs=0.01)
    assert meter.momentary_max == pytest.approx(-29.9933, abs=0.05)
    assert meter.short_term_max == pytest.approx(-29.9933, abs=0.01)
    assert meter.measured_seconds == 10.0


@pytest.mark.parametrize("paused", [False, True])
def test_restart_in_either_state_forgets_the_past_and_keeps_the_state(paused: bool) -> None:
    meter = heard(tone(1000.0, -10.0, 5.0, RATE_HZ, 2))
    if paused:
        meter.pause()
    meter.restart()
    assert meter.running is not paused
    assert math.isnan(meter.integrated)
    assert meter.short_term == pytest.approx(-9.9933, abs=0.001)
    meter.resume()
    meter.push(tone(1000.0, -30.0, 5.0, RATE_HZ, 2))
    # The filter rings on from the louder tone into the first window.
    assert meter.integrated == pytest.approx(-29.9933, abs=0.01)
    assert meter.momentary_max == pytest.approx(-29.9933, abs=0.05)


def test_reset_is_a_new_beginning() -> None:
    signal = music(5.0)
    meter = heard(signal[100:])
    meter.reset()
    meter.push(signal)
    np.testing.assert_array_equal(readings(meter), readings(heard(signal)))


def test_windows_that_hold_a_gap_are_not_shown_and_blocks_that_touch_it_are_left_out() -> None:
    meter = heard(tone(1000.0, -23.0, 5.0, RATE_HZ, 2))
    meter.skip(600)
    loud = tone(1000.0, -10.0, 0.39, RATE_HZ, 2)
    meter.push(loud)
    assert math.isnan(meter.momentary)
    meter.skip(600)
    assert meter.integrated == pytest.approx(-22.9933, abs=0.001)
    meter.push(tone(1000.0, -23.0, 2.5, RATE_HZ, 2))
    assert meter.momentary == pytest.approx(-22.9933, abs=0.001)
    assert math.isnan(meter.short_term)
    assert meter.momentary_max == pytest.approx(-22.9933, abs=0.05)
    meter.push(tone(1000.0, -23.0, 1.0, RATE_HZ, 2))
    assert math.isfinite(meter.short_term)


def test_the_filter_goes_on_over_a_short_gap_and_is_primed_after_a_long_one() -> None:
    short, long = heard(tone(1000.0, -23.0, 1.0, RATE_HZ, 2)), heard(tone(1000.0, -23.0, 1.0, RATE_HZ, 2))
    short.skip(4799)
    long.skip(4800)
    for meter in (short, long):
        meter.push(tone(1000.0, -23.0, 1.0, RATE_HZ, 2))
    assert short.measured_seconds == pytest.approx(2.0)
    assert long.measured_seconds == pytest.approx(1.6)


def test_short_gaps_that_follow_each_other_are_one_gap() -> None:
    signal = tone(1000.0, -23.0, 2.0, RATE_HZ, 2)
    once, often = heard(signal), heard(signal)
    once.skip(6000)
    for _ in range(60):
        often.skip(100)
    for meter in (once, often):
        meter.push(signal)
    np.testing.assert_array_equal(readings(often), readings(once))


def test_nothing_lost_changes_nothing() -> None:
    meter = heard(music(2.0))
    before = readings(meter)
    meter.skip(0)
    meter.push(np.zeros((0, 2)))
    np.testing.assert_array_equal(readings(meter), before)


@pytest.mark.parametrize(("seconds", "lost", "incomplete"), [
    (30.0, 1442, True), (30.0, 1441, False), (2.0, 480, True), (2.0, 0, False),
])  # fmt: skip
def test_incomplete_once_more_than_a_thousandth_is_lost(seconds: float, lost: int, incomplete: bool) -> None:
    meter = heard(tone(1000.0, -23.0, seconds, RATE_HZ, 1))
    meter.skip(lost)
    assert meter.incomplete is incomplete


def test_incomplete_once_more_than_a_second_is_lost() -> None:
    meter = LoudnessMeter(Spec(8000, 1))
    minute = tone(1000.0, -23.0, 60.0, 8000, 1)
    for _ in range(20):
        meter.push(minute)
    for _ in range(20):
        meter.skip(400)
        meter.push(minute[:800])
    assert not meter.incomplete
    meter.skip(1)
    assert meter.incomplete


def test_a_thousand_random_gaps_leave_a_steady_tone() -> None:
    rng = np.random.default_rng(11)
    signal = tone(1000.0, -23.0, 600.0, 8000)
    whole, gapped = heard(signal, rate_hz=8000), LoudnessMeter(Spec(8000, 1))
    edges = np.sort(rng.choice(len(signal), 1000, replace=False))
    ends = np.minimum(edges + rng.integers(1, 2400, 1000), np.append(edges[1:], len(signal)))
    position = 0
    for edge, end in zip(edges, ends, strict=True):
        gapped.push(signal[position:edge])
        gapped.skip(int(end - edge))
        position = end
    gapped.push(signal[position:])
    assert gapped.integrated == pytest.approx(whole.integrated, abs=0.02)
    assert gapped.incomplete
    assert gapped.measured_seconds < whole.measured_seconds


def test_eight_hours_of_a_constant_tone_hold_their_value() -> None:
    meter = LoudnessMeter(Spec(8000, 1))
    minute = tone(1000.0, -23.0, 60.0, 8000)
    meter.push(minute)
    early = [meter.integrated, meter.short_term, meter.momentary]
    for _ in range(8 * 60 - 1):
        meter.push(minute)
    np.testing.assert_allclose([meter.integrated, meter.short_term, meter.momentary], early, rtol=0.0, atol=0.001)
    assert meter.loudness_range == pytest.approx(0.0, abs=0.001)
    assert meter.measured_seconds == 8 * 3600.0


@pytest.mark.parametrize("sizes", [(480,), (480 * 950,)])
def test_history_keeps_short_term_once_a_second_newest_last(sizes: tuple[int, ...]) -> None:
    meter = heard(stepped_tone(1000.0, [(-23.0, 5.0), (-33.0, 4.5)], RATE_HZ, 2), sizes)
    history = meter.history
    assert history.shape == (300,)
    assert np.isnan(history[:-7]).all()
    np.testing.assert_allclose(history[-7:-4], -22.9933, atol=0.001)
    np.testing.assert_allclose(history[-2:], -32.9933, atol=0.001)
