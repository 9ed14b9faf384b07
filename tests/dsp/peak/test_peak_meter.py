"""What a peak meter shows: falling, held, most, overs; any blocks; gaps; silence; extremes."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from dsp.core.signals import fade, pink_noise, silence, tone
from dsp.core.types import FloatArray, Spec
from dsp.peak.peak_meter import PeakMeter
from tests.support.processors import BLOCK_SIZES, blocks, random_sizes

RATE_HZ = 48_000
CELL_SECONDS = 0.01


def heard(
    signal: FloatArray, sizes: tuple[int, ...] = (480,), rate_hz: int = RATE_HZ, hold: float = 3.0
) -> PeakMeter:
    meter = PeakMeter(Spec(rate_hz, signal.shape[1]), hold)
    for block in blocks(signal, sizes):
        meter.push(block)
    return meter


def readings(meter: PeakMeter) -> FloatArray:
    each = [meter.sample, meter.true, meter.true_hold, meter.true_max_each]
    return np.concatenate([*each, [meter.true_max, meter.sample_max, meter.overs, meter.clipped]])


def music(seconds: float, level_db: float = -12.0, seed: int = 6) -> FloatArray:
    """Stereo noise under a beat, hot enough to go over now and then."""
    noise = pink_noise(np.random.default_rng(seed), level_db, seconds, RATE_HZ, 2)
    return noise * (0.2 + np.exp(-np.arange(len(noise)) % 24_000 / 5000.0))[:, None]


def impulse(level: float, seconds: float) -> FloatArray:
    """One short faded burst, then silence; the rest of ``seconds``."""
    signal = silence(seconds, RATE_HZ, 2)
    signal[:960] = fade(tone(1000.0, 20.0 * math.log10(level), 0.02, RATE_HZ, 2, 3.0), 0.005, RATE_HZ)
    return signal


@pytest.mark.parametrize("size", BLOCK_SIZES)
@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_any_block_size_gives_the_same_readings(size: int, rate_hz: int) -> None:
    signal = music(7.3, -6.0)[: 25_000 if size == 1 else None]
    whole = heard(signal, (len(signal),), rate_hz)
    np.testing.assert_allclose(readings(heard(signal, (size,), rate_hz)), readings(whole), atol=1e-4)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_random_blocks_give_the_same_readings(seed: int) -> None:
    signal = music(5.0, -6.0, seed)
    pieces = heard(signal, tuple(random_sizes(seed)))
    np.testing.assert_allclose(readings(pieces), readings(heard(signal, (len(signal),))), atol=1e-4)
    assert pieces.overs > 0


def long_sound(kind: str) -> FloatArray:
    """40 s, more than a peak meter keeps of a long block."""
    sound = music(40.0, -6.0)
    time = np.arange(len(sound))[:, None] / RATE_HZ
    if kind == "fades away":
        return sound * np.exp(-time / 4.0)
    if kind == "grows":
        return sound * np.exp((time - 40.0) / 6.0)
    if kind == "stops":
        return np.where(time < 7.0, sound, 1e-3 * sound)
    return sound


@pytest.mark.parametrize("kind", ["goes on", "fades away", "grows", "stops"])
@pytest.mark.parametrize("hold", [0.5, 20.0])
def test_long_blocks_read_or_not_in_between_are_the_same_as_ticks(kind: str, hold: float) -> None:
    sound = long_sound(kind)
    ticks, unread, read = (PeakMeter(Spec(RATE_HZ, 2), hold) for _ in range(3))
    rng = np.random.default_rng(12)
    position = 0
    while position < len(sound):
        block = sound[position : position + int(rng.integers(5_000, 500_000))]
        position += len(block)
        for meter in (unread, read):
            meter.push(block)
        for piece in blocks(block, (480,)):
            ticks.push(piece)
        np.testing.assert_allclose(readings(read), readings(ticks), atol=1e-4)
    np.testing.assert_allclose(readings(unread), readings(ticks), atol=1e-4)


@pytest.mark.parametrize("channels", [1, 2, 7])
def test_all_levels_at_once_are_those_of_each(channels: int) -> None:
    meter = PeakMeter(Spec(48_000, channels), 1.0)
    sound = 0.2 * np.random.default_rng(9).standard_normal((30_000, channels))
    assert np.isnan(meter.levels()).all()
    for block in np.array_split(sound, 23):
        meter.push(block)
        sample, true, held, highest, most = meter.levels()
        np.testing.assert_array_equal(sample, meter.sample)
        np.testing.assert_array_equal(true, meter.true)
        np.testing.assert_array_equal(held, meter.true_hold)
        np.testing.assert_array_equal(highest, meter.true_max_each)
        assert most.max() == meter.sample_max


def test_nothing_heard_yet_is_not_silence() -> None:
    meter = PeakMeter(Spec(RATE_HZ, 2), 3.0)
    assert np.isnan(readings(meter)[:-2]).all()
    meter.push(np.zeros((0, 2)))
    assert math.isnan(meter.true_max)
    meter.push(silence(0.1, RATE_HZ, 2))
    assert (readings(meter)[:-2] == -math.inf).all()
    assert meter.overs == 0


def test_a_true_peak_is_never_below_the_samples() -> None:
    meter = heard(music(1.0))
    assert (meter.true >= meter.sample).all()
    assert meter.true_max >= meter.sample_max


@pytest.mark.parametrize("sizes", [(480,), (481,), (1_000_000,)])
def test_the_display_falls_20_db_in_1_7_s(sizes: tuple[int, ...]) -> None:
    early, late = heard(impulse(0.5, 1.0), sizes), heard(impulse(0.5, 2.7), sizes)
    np.testing.assert_allclose(early.true - late.true, 20.0, atol=0.13)
    np.testing.assert_allclose(early.sample - late.sample, 20.0, atol=0.13)


def test_the_display_does_not_fall_under_a_steady_tone() -> None:
    meter = heard(tone(1000.0, -10.0, 3.0, RATE_HZ, 2))
    np.testing.assert_allclose(meter.true, -10.0, atol=0.02)


@pytest.mark.parametrize("hold", [0.5, 3.0])
def test_a_true_peak_is_held_for_its_time_and_no_longer(hold: float) -> None:
    held = heard(impulse(0.5, hold - 2 * CELL_SECONDS), hold=hold)
    gone = heard(impulse(0.5, hold + 4 * CELL_SECONDS), hold=hold)
    np.testing.assert_allclose(held.true_hold, held.true_max_each)
    assert (gone.true_hold == -math.inf).all()
    assert gone.true_max == pytest.approx(held.true_max)


def test_the_hold_time_can_change_while_it_runs() -> None:
    meter = heard(impulse(0.5, 1.0), hold=3.0)
    meter.hold(0.5)
    assert (meter.true_hold == -math.inf).all()
    meter = heard(impulse(0.5, 1.0), hold=1.5)
    meter.hold(10.0)
    meter.push(silence(5.0, RATE_HZ, 2))
    np.testing.assert_allclose(meter.true_hold, meter.true_max_each)


def test_overs_count_times_not_samples() -> None:
    loud = tone(1000.0, 3.0, 0.5, RATE_HZ, 2)
    quiet = tone(1000.0, -10.0, 0.5, RATE_HZ, 2)
    signal = np.concatenate([quiet, loud, quiet, loud, quiet])
    for sizes in ((480,), (65,), (len(signal),)):
        assert heard(signal, sizes).overs == 2


@pytest.mark.parametrize("lost", [1, 480, 48_000])
def test_an_over_before_a_gap_and_one_behind_it_are_two(lost: int) -> None:
    """Nothing is known of what was lost, so the second is not the first going on."""
    loud = tone(1000.0, 3.0, 0.5, RATE_HZ, 2)
    meter = heard(loud)
    assert meter.overs == 1
    for expected in (2, 3):
        meter.skip(lost)
        assert meter.overs == expected - 1, "a gap is no over"
        meter.push(loud)
        assert meter.overs == expected


def clipped(runs: list[tuple[int, int, float]], seconds: float = 1.0) -> FloatArray:
    """Quiet noise, two channels, with runs of one value in the left: first frame, length and value."""
    signal = 0.1 * np.random.default_rng(3).standard_normal((round(seconds * RATE_HZ), 2))
    for first, length, value in runs:
        signal[first : first + length, 0] = value
    return signal


@pytest.mark.parametrize(
    ("runs", "count"),
    [
        ([(100, 2, 1.0)], 0),
        ([(100, 3, 1.0)], 1),
        ([(100, 3, -1.0)], 1),
        ([(100, 500, 1.0)], 1),
        ([(100, 3, 1.0), (104, 3, 1.0)], 2),
        ([(100, 2, 1.0), (102, 2, -1.0)], 0),
        ([(100, 3, 1.0), (103, 3, -1.0)], 2),
        ([(0, 3, 1.0), (47_997, 3, 1.0)], 2),
        ([(100, 3, 32_767 / 32_768)], 1),
        ([(100, 3, 32_766 / 32_768)], 0),
        ([(100, 3, 1.7)], 1),
    ],
)
def test_three_samples_at_one_extreme_are_a_clipped_run(runs: list[tuple[int, int, float]], count: int) -> None:
    """Three and more, common practice, no source; full scale is the highest value that 16 bits can write."""
    assert heard(clipped(runs)).clipped == count


@pytest.mark.parametrize(
    "sizes", [(1,), (2,), (64,), (65,), (480,), (441,), (8192,), (8193,), (48_000,), (3, 1, 477)]
)
@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_clipped_runs_are_the_same_in_any_blocks(sizes: tuple[int, ...], rate_hz: int) -> None:
    hot = np.clip(3.0 * music(0.4, -3.0), -1.0, 1.0)
    codes = np.where(hot == 1.0, "+", np.where(hot == -1.0, "-", "."))
    expected = sum(len(re.findall(r"\+{3,}|-{3,}", "".join(column))) for column in codes.T)
    assert expected > 20
    assert heard(hot, sizes, rate_hz).clipped == expected


def test_a_run_is_not_counted_across_a_gap_and_reset_forgets_it() -> None:
    meter = PeakMeter(Spec(RATE_HZ, 1), 3.0)
    meter.push(np.ones((2, 1)))
    meter.skip(10)
    meter.push(np.ones((2, 1)))
    assert meter.clipped == 0
    meter.push(np.ones((1, 1)))
    assert meter.clipped == 1
    meter.skip(10)
    meter.push(np.ones((300, 1)))
    assert meter.clipped == 2
    taken = PeakMeter(Spec(RATE_HZ, 1), 3.0)
    taken.restore_state(meter.save_state())
    taken.push(np.ones((2, 1)))
    assert taken.clipped == 2
    meter.reset()
    assert meter.clipped == 0
    meter.push(np.ones((2, 1)))
    assert meter.clipped == 0


def test_an_over_of_one_channel_counts_at_once() -> None:
    meter = PeakMeter(Spec(RATE_HZ, 2), 3.0)
    meter.push(silence(0.01, RATE_HZ, 2))
    meter.push(np.array([[0.0, 1.5]]))
    assert meter.overs == 1
    assert meter.sample_max == pytest.approx(20.0 * math.log10(1.5))


def test_full_scale_is_not_over() -> None:
    for frequency_hz in (997.0, 4000.0, 12_000.0):
        assert heard(fade(tone(frequency_hz, 0.0, 1.0, RATE_HZ, 2), 0.01, RATE_HZ)).overs == 0
    # An over between the samples only.
    assert heard(fade(tone(12_000.0, 1.0, 1.0, RATE_HZ, 2, 45.0), 0.01, RATE_HZ)).overs == 1


@pytest.mark.parametrize("lost", [1, 17, 480, 5000, 500_000])
def test_a_gap_makes_no_peak(lost: int) -> None:
    signal = tone(997.0, -6.0, 2.0, RATE_HZ, 2)
    rng = np.random.default_rng(lost)
    meter = PeakMeter(Spec(RATE_HZ, 2), 3.0)
    position = 0
    for length in rng.integers(1, 1500, 60):
        meter.push(signal[position : position + length])
        meter.skip(lost)
        position += int(length) + lost % 1000
    assert meter.true_max <= -6.0 + 0.02


def test_displays_fall_on_over_a_gap_and_the_maximum_stays() -> None:
    sound = impulse(0.5, 0.5)
    heard_all, gapped, split = heard(sound), heard(sound), heard(sound)
    heard_all.push(silence(1.0, RATE_HZ, 2))
    gapped.skip(48_000)
    for _ in range(100):
        split.skip(480)
    # Products of single precision round differently on each processor, by 5e-5 dB at most.
    np.testing.assert_allclose(gapped.true, heard_all.true, atol=1e-4)
    np.testing.assert_allclose(readings(split), readings(gapped), atol=1e-4)
    np.testing.assert_allclose(split.true_hold, heard_all.true_hold, atol=1e-4)
    split.skip(3 * 48_000)
    gapped.skip(3 * 48_000)
    assert (gapped.true_hold == -math.inf).all()
    np.testing.assert_allclose(gapped.true_max_each, heard_all.true_max_each, atol=1e-4)


def test_many_small_gaps_do_not_shorten_the_hold() -> None:
    meter = heard(impulse(0.5, 0.1))
    for _ in range(250):
        meter.skip(100)
        meter.push(silence(0.01, RATE_HZ, 2)[:380])
    # 2.6 s have gone by, on a hold of 3 s; the crest was reached within the first 20 ms.
    np.testing.assert_allclose(meter.true_hold, meter.true_max_each)
    np.testing.assert_allclose(meter.true, meter.true_max_each - 2.59 * 20.0 / 1.7, atol=0.25)
    for _ in range(50):
        meter.skip(480)
    assert (meter.true_hold == -math.inf).all()


@pytest.mark.parametrize("sizes", [(480,), (96_000,)])
def test_reset_forgets_all_but_the_hold_time(sizes: tuple[int, ...]) -> None:
    meter = heard(music(2.0, 0.0), sizes, hold=0.5)
    meter.reset()
    assert np.isnan(meter.true_max)
    assert meter.overs == 0
    meter.push(impulse(0.5, 0.6))
    assert (meter.true_hold == -math.inf).all()


def test_the_highest_sample_that_the_host_lets_in_is_read_as_it_is() -> None:
    meter = heard(fade(tone(997.0, 60.0, 0.5, RATE_HZ, 2), 0.05, RATE_HZ))
    assert meter.true_max == pytest.approx(60.0, abs=0.02)
    assert np.isfinite(readings(heard(np.resize([1e3, -1e3], (48_000, 2))))).all()


@pytest.mark.parametrize("channels", [1, 6, 8, 33])
def test_each_channel_has_its_own_readings(channels: int) -> None:
    signal = tone(1000.0, 0.0, 0.5, RATE_HZ, channels) * np.linspace(1.0, 0.1, channels)
    meter = heard(signal, (len(signal),))
    np.testing.assert_allclose(meter.true_max_each, 20.0 * np.log10(np.linspace(1.0, 0.1, channels)), atol=0.02)
    assert meter.true.shape == (channels,)


@pytest.mark.parametrize("hold", [0.5, 3.0, 60.0])
def test_the_recent_peak_is_that_of_three_seconds_whatever_the_hold_time(hold: float) -> None:
    """EBU Tech 3341: short-term loudness looks back 3 s, and this peak is compared with it."""
    signal = impulse(0.5, 6.0)
    meter = PeakMeter(Spec(RATE_HZ, 2), hold)
    meter.push(signal[: round(2.9 * RATE_HZ)])
    assert meter.true_recent == pytest.approx(meter.true_max, abs=1e-6)
    meter.push(signal[round(2.9 * RATE_HZ) : round(3.2 * RATE_HZ)])
    assert meter.true_recent == -math.inf
    assert math.isfinite(meter.true_max)


def test_the_highest_of_ten_seconds_is_not_known_for_as_long_after_a_restored_state() -> None:
    """What came before the restart may have been higher; a fresh meter has heard all there is."""
    first, restored = (PeakMeter(Spec(RATE_HZ, 1), 3.0) for _ in range(2))
    loud, soft = np.full((RATE_HZ, 1), 0.5), np.full((RATE_HZ, 1), 0.1)
    first.push(loud)
    assert first.true_10s == pytest.approx(first.true_max)
    restored.restore_state(first.save_state())
    readings = []
    for _ in range(11):
        first.push(soft)
        restored.push(soft)
        readings.append((first.true_10s, restored.true_10s))
    assert math.isnan(readings[8][1])
    assert readings[8][0] == pytest.approx(first.true_max)
    assert readings[10][1] == pytest.approx(readings[10][0])
    assert readings[10][0] < first.true_max - 10.0


def test_the_latest_peaks_are_those_of_the_last_fifth_of_a_second() -> None:
    signal = silence(1.5, RATE_HZ, 2)
    signal[RATE_HZ, 1] = 0.5
    meter = PeakMeter(Spec(RATE_HZ, signal.shape[1]), 3.0)
    assert np.isnan(meter.latest).all()
    there = []
    for block in blocks(signal, (480,)):
        meter.push(block)
        there.append(meter.latest)
    sample, true = np.array(there).T
    seen = np.flatnonzero(sample > -np.inf)
    assert sample[seen] == pytest.approx(20.0 * math.log10(0.5), abs=1e-6)
    assert (true[seen] >= sample[seen]).all()
    assert 20 <= len(seen) <= 22, "0.2 s, and the cell of 10 ms that is open"


@pytest.mark.parametrize("size", BLOCK_SIZES)
def test_any_block_size_has_the_same_latest_peaks(size: int) -> None:
    signal = music(1.0)
    np.testing.assert_allclose(heard(signal, (size,)).latest, heard(signal).latest, atol=1e-5)


def test_the_latest_peaks_of_a_gap_are_not_known_and_those_after_it_are_of_the_sound() -> None:
    meter = heard(music(1.0))
    meter.skip(RATE_HZ)
    assert np.isnan(meter.latest).all()
    meter.push(impulse(0.1, 0.1))
    sample, true = meter.latest
    assert sample == pytest.approx(-20.0, abs=0.1)
    assert true >= sample
