"""The listening meter: no number without a calibration, energy of both sides, gaps, rules, any blocks."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from dsp.core.signals import fade, pink_noise, silence, tone
from dsp.core.types import FloatArray, Spec
from dsp.exposure.exposure import Rule, hours_left, hours_left_range, share_percent
from dsp.exposure.frequency_weighting import weighting_db
from meter.exposure_rules import load_rules
from tests.support.processors import BLOCK_SIZES, Processor, assert_same, random_sizes

SEAT = (
    "seat_now", "seat_second", "seat_minute", "seat_quarter_hour", "peak_c", "peak_second", "share", "time_left_low",
    "time_left_high",
)  # fmt: skip
LEDGER = ("share_today", "share_week", "since_break", "creep", "notice")
RATE_HZ = 8000
"""Minutes of signal go faster at a low rate; the weightings hold there too."""


def calibrated(rate_hz: int = RATE_HZ, channels: int = 2, **settings: Any) -> Processor:
    return Processor("listening", rate_hz, channels, **({"calibrated": True, "offset_db": 100.0} | settings))


def hum(level_dbfs: float, seconds: float, rate_hz: int = RATE_HZ, channels: int = 2) -> FloatArray:
    """A 1 kHz tone, which A and C leave alone; both sides together are 3 dB above one."""
    return tone(1000.0, level_dbfs - 10.0 * math.log10(channels), seconds, rate_hz, channels)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 88_200, 96_000, 192_000])
def test_a_full_scale_1_khz_sine_on_one_side_reads_0_dbfs_a(rate_hz: int) -> None:
    processor = Processor("listening", rate_hz)
    signal = tone(1000.0, 0.0, 1.5, rate_hz, 2)
    signal[:, 1] = 0.0
    processor.feed(signal, (rate_hz // 100,))
    # AES17: a full-scale sine is 0 dBFS; IEC 61672-1: A is 0 dB at 1 kHz.
    assert processor.read()["feed_now"] == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("hz", [63.0957, 3981.07])
def test_the_feed_is_a_weighted(hz: float) -> None:
    processor = Processor("listening", 48_000, 1)
    processor.feed(tone(hz, -20.0, 2.0, 48_000))
    expected = -20.0 + float(weighting_db(np.array([hz]), "A")[0])
    assert processor.read()["feed_now"] == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("hz", [63.0957, 1000.0, 3981.07])
def test_each_channel_is_told_under_a_and_under_c(hz: float) -> None:
    processor = Processor("listening", 48_000)
    processor.feed(tone(hz, -20.0, 2.0, 48_000, 2) * [1.0, 0.1])
    readings = processor.read()
    for key, weighting in (("feed_each", "A"), ("feed_each_c", "C")):
        expected = -20.0 + float(weighting_db(np.array([hz]), weighting)[0])
        np.testing.assert_allclose(readings[key], [expected, expected - 20.0], atol=0.05)
    sum_of_both = 10.0 * math.log10(np.sum(10.0 ** (np.asarray(readings["feed_each"]) / 10.0)))
    assert readings["feed_now"] == pytest.approx(sum_of_both)


def test_the_doubt_belongs_to_a_calibration() -> None:
    processor = calibrated(doubt_db=6.0)
    assert processor.read()["doubt"] == 6.0
    processor.configure(calibrated=False)
    assert math.isnan(processor.read()["doubt"])


def test_two_loudspeakers_calibrated_one_at_a_time_add_up_in_energy() -> None:
    # 82 dB each, together 85 (the published figure for two uncorrelated equal levels is +3.01 dB).
    noise = pink_noise(np.random.default_rng(1), -20.0, 12.0, 48_000, 2)
    alone = Processor("listening", 48_000)
    alone.feed(noise * [1.0, 0.0])
    together = calibrated(48_000, offset_db=82.0 - alone.read()["feed_now"])
    together.feed(noise)
    assert together.read()["seat_now"] == pytest.approx(85.01, abs=0.3)


@pytest.mark.parametrize("seconds", [0.0, 90.0])
def test_without_a_calibration_there_is_no_number_at_the_seat(seconds: float) -> None:
    processor = calibrated(calibrated=False)
    processor.feed(hum(0.0, seconds))
    readings = processor.read()
    assert readings["calibrated"] == 0.0
    assert all(math.isnan(readings[key]) for key in SEAT)
    assert readings["time_listened"] == pytest.approx(seconds / 3600.0)
    assert math.isnan(readings["feed_now"]) == (seconds == 0.0)


def test_a_calibration_that_is_withdrawn_takes_its_numbers_with_it() -> None:
    processor = calibrated()
    processor.feed(hum(-20.0, 61.0))
    assert math.isfinite(processor.read()["time_left_low"])
    processor.configure(calibrated=False)
    assert all(math.isnan(processor.read()[key]) for key in SEAT)


def test_time_before_the_calibration_is_not_counted() -> None:
    processor = calibrated(calibrated=False)
    processor.feed(hum(-20.0, 40.0))
    processor.configure(calibrated=True)
    processor.feed(hum(-20.0, 29.0))
    assert math.isnan(processor.read()["seat_minute"]), "less than half of the minute is calibrated"
    processor.feed(hum(-20.0, 1.0))
    readings = processor.read()
    rule = Rule("", 75.0, 40.0)
    assert readings["seat_minute"] == pytest.approx(80.0, abs=0.1)
    assert readings["share"] == pytest.approx(share_percent([80.0], [30.0 / 3600.0], rule), rel=1e-3)


def test_seat_is_feed_plus_offset_and_the_minute_is_an_energy_average() -> None:
    processor = calibrated()
    processor.feed(hum(-20.0, 10.0))
    processor.feed(hum(-40.0, 50.0))
    readings = processor.read()
    assert readings["seat_now"] == pytest.approx(60.0, abs=0.1)
    # Leq of 10 min at 90 and 50 min at 70 dB is 82.43 dB; the same in seconds, 10 dB lower.
    assert readings["seat_minute"] == pytest.approx(72.43, abs=0.15)
    processor.feed(hum(-40.0, 10.0))
    assert processor.read()["seat_minute"] == pytest.approx(60.0, abs=0.1)


def test_the_quarter_hour_needs_half_of_itself_and_forgets_the_rest() -> None:
    processor = calibrated(channels=1)
    processor.feed(hum(-10.0, 449.0, channels=1), (8000,))
    assert math.isnan(processor.read()["seat_quarter_hour"])
    processor.feed(hum(-10.0, 2.0, channels=1), (8000,))
    assert processor.read()["seat_quarter_hour"] == pytest.approx(90.0, abs=0.1)
    processor.feed(hum(-30.0, 901.0, channels=1), (8000,))
    assert processor.read()["seat_quarter_hour"] == pytest.approx(70.0, abs=0.1)


@pytest.mark.parametrize("exposure_rule", load_rules().values(), ids=lambda rule: rule.name.partition(":")[0])
def test_share_and_time_left_follow_every_rule_that_ships(exposure_rule: Any) -> None:
    processor = calibrated(**exposure_rule.settings)
    processor.feed(hum(-10.0, 120.0))
    readings = processor.read()
    share = share_percent([90.0], [120.0 / 3600.0], exposure_rule.rule)
    assert readings["share"] == pytest.approx(share, rel=1e-3)
    assert readings["time_left_low"] <= hours_left(share, 90.0, exposure_rule.rule) <= readings["time_left_high"]
    left = hours_left_range(share, 90.0, 3.0, exposure_rule.rule)
    assert (readings["time_left_low"], readings["time_left_high"]) == left


def test_a_new_rule_counts_the_whole_sitting_anew() -> None:
    rules = list(load_rules().values())
    processor = calibrated(**rules[0].settings)
    processor.feed(hum(-10.0, 60.0))
    processor.read()
    processor.configure(**rules[-1].settings)
    fresh = calibrated(**rules[-1].settings)
    fresh.feed(hum(-10.0, 60.0))
    assert_same(fresh.read(), processor.read())


def test_a_new_offset_counts_from_then_on_only() -> None:
    processor = calibrated(channels=1)
    processor.feed(hum(-20.0, 60.0, channels=1))
    processor.configure(offset_db=90.0)
    processor.feed(hum(-20.0, 60.0, channels=1))
    expected = share_percent([80.0, 70.0], [1.0 / 60.0, 1.0 / 60.0], Rule("", 75.0, 40.0))
    assert processor.read()["share"] == pytest.approx(expected, rel=1e-3)


def test_nothing_below_the_threshold_is_counted_and_time_is_then_without_end() -> None:
    processor = calibrated(threshold_db=80.0)
    processor.feed(hum(-24.0, 60.0))
    readings = processor.read()
    assert readings["share"] == 0.0
    assert readings["time_left_low"] == readings["time_left_high"] == math.inf


def test_a_used_up_allowance_leaves_no_time() -> None:
    processor = calibrated(offset_db=160.0)
    processor.feed(hum(-40.0, 40.0))
    assert processor.read()["share"] > 100.0
    assert processor.read()["time_left_low"] == processor.read()["time_left_high"] == 0.0


def test_silence_is_silence_and_uses_nothing() -> None:
    processor = calibrated()
    processor.feed(silence(61.0, RATE_HZ, 2))
    readings = processor.read()
    assert readings["feed_now"] == readings["seat_now"] == readings["seat_minute"] == -math.inf
    assert readings["peak_c"] == -math.inf
    assert readings["share"] == 0.0
    assert readings["time_left_low"] == readings["time_left_high"] == math.inf


def test_before_the_first_second_nothing_is_known() -> None:
    processor = calibrated()
    readings = processor.read()
    assert all(math.isnan(readings[key]) for key in SEAT if key != "share")
    assert readings["share"] == 0.0
    assert readings["time_listened"] == 0.0
    processor.feed(hum(-20.0, 0.99))
    assert math.isnan(processor.read()["feed_now"])
    processor.feed(hum(-20.0, 0.01))
    assert processor.read()["feed_now"] == pytest.approx(-20.0, abs=0.2)


@pytest.mark.parametrize(("sides", "expected"), [([1.0, 0.0], 83.01), ([1.0, 1.0], 89.03), ([1.0, -1.0], 83.01)])
def test_the_c_peak_of_a_sine_lies_3_db_above_its_level_and_both_sides_may_meet(
    sides: list[float], expected: float
) -> None:
    processor = calibrated(48_000)
    # Faded in: a tone that starts at once overshoots, as Table 5 of IEC 61672-1 has it.
    processor.feed(fade(tone(1000.0, -20.0, 1.0, 48_000, 2), 0.3, 48_000) * sides)
    assert processor.read()["peak_c"] == pytest.approx(expected, abs=0.1)


def test_what_only_a_ledger_knows_is_left_open() -> None:
    processor = calibrated()
    processor.feed(hum(-20.0, 61.0))
    assert all(math.isnan(processor.read()[key]) for key in LEDGER)


def test_each_whole_second_is_read_once_with_its_level_and_peak() -> None:
    processor = calibrated(channels=1)
    processor.feed(hum(-20.0, 0.95, channels=1), (80,))
    assert processor.read()["seconds"] == 0.0
    assert math.isnan(processor.read()["seat_second"])
    processor.feed(hum(-20.0, 0.1, channels=1), (80,))
    first = processor.read()
    assert (first["seconds"], first["seat_second"]) == (1.0, pytest.approx(80.0, abs=0.1))
    processor.feed(hum(-40.0, 1.0, channels=1), (80,))
    second = processor.read()
    # 50 ms of the louder tone lie in the second second: 10 log10(0.05 + 0.95 / 100) below it.
    assert (second["seconds"], second["seat_second"]) == (2.0, pytest.approx(80.0 - 12.25, abs=0.2))
    processor.feed(hum(-40.0, 1.0, channels=1), (80,))
    third = processor.read()
    assert third["peak_second"] == pytest.approx(63.0, abs=0.1)
    assert third["peak_c"] > 82.0


@pytest.mark.parametrize(("lost", "known"), [(0.4, True), (0.6, False)])
def test_a_second_that_was_mostly_lost_has_no_level(lost: float, known: bool) -> None:
    processor = calibrated(channels=1)
    processor.feed(hum(-20.0, 1.0 - lost, channels=1))
    processor.skip(lost)
    readings = processor.read()
    assert readings["seconds"] == 1.0
    assert math.isfinite(readings["seat_second"]) == math.isfinite(readings["peak_second"]) == known


def test_lost_frames_are_not_listened_to() -> None:
    whole, holed = calibrated(), calibrated()
    for _ in range(120):
        second = hum(-10.0, 1.0)
        whole.feed(second)
        holed.feed(second[: RATE_HZ // 4])
        holed.skip(0.75)
    full, part = whole.read(), holed.read()
    assert part["time_listened"] == pytest.approx(full["time_listened"] / 4.0)
    assert part["share"] == pytest.approx(full["share"] / 4.0, rel=0.03)
    assert math.isnan(part["feed_now"])
    assert math.isnan(part["seat_minute"]), "a quarter of a minute is not a minute"


def test_a_thousand_short_gaps_do_not_move_the_level() -> None:
    rng = np.random.default_rng(3)
    whole, holed = calibrated(), calibrated()
    for _ in range(1000):
        piece = hum(-10.0, rng.uniform(0.05, 0.15))
        whole.feed(piece)
        holed.feed(piece)
        holed.skip(rng.uniform(0.0, 0.02))
    assert holed.read()["seat_minute"] == pytest.approx(whole.read()["seat_minute"], abs=0.1)
    assert holed.read()["share"] == pytest.approx(whole.read()["share"], rel=0.02)


@pytest.mark.parametrize("gap_seconds", [0.01, 0.05, 0.1, 0.3, 5.0])
def test_after_a_gap_the_level_waits_for_a_whole_second(gap_seconds: float) -> None:
    processor = calibrated()
    processor.feed(hum(-20.0, 2.0))
    processor.skip(gap_seconds)
    processor.feed(hum(-20.0, 0.1))
    assert math.isnan(processor.read()["feed_now"])
    processor.feed(hum(-20.0, 1.0))
    assert processor.read()["feed_now"] == pytest.approx(-20.0, abs=0.3)


def test_a_night_asleep_uses_nothing_and_empties_the_averages() -> None:
    processor = calibrated()
    processor.feed(hum(-20.0, 60.0))
    before = processor.read()
    processor.skip(8 * 3600.0)
    readings = processor.read()
    assert readings["share"] == before["share"]
    assert readings["time_listened"] == before["time_listened"]
    assert math.isnan(readings["seat_minute"])
    assert math.isnan(readings["seat_quarter_hour"])


def busy(seconds: float, rate_hz: int) -> FloatArray:
    signal = pink_noise(np.random.default_rng(4), -18.0, seconds, rate_hz, 2)
    return signal * (0.1 + np.abs(np.sin(np.arange(len(signal)) / 9000.0)))[:, None]


@pytest.mark.parametrize("size", BLOCK_SIZES)
def test_any_block_size_gives_the_same_readings(size: int) -> None:
    signal = busy(1.6 if size == 1 else 34.0, RATE_HZ)
    whole, pieces = calibrated(), calibrated()
    whole.feed(signal, (len(signal),))
    pieces.feed(signal, (size,))
    assert_same(whole.read(), pieces.read())


@pytest.mark.parametrize("rate_hz", [11_025, 44_100])
@pytest.mark.parametrize("seed", [1, 2])
def test_random_blocks_give_the_same_readings(seed: int, rate_hz: int) -> None:
    signal = busy(3.3, rate_hz)
    whole, pieces = calibrated(rate_hz), calibrated(rate_hz)
    whole.feed(signal, (len(signal),))
    pieces.feed(signal, random_sizes(seed))
    assert_same(whole.read(), pieces.read())


def test_gaps_in_any_blocks_give_the_same_readings() -> None:
    signal = busy(40.0, RATE_HZ)
    readings = []
    for sizes in ((len(signal),), (80,), tuple(random_sizes(5))):
        processor = calibrated()
        processor.feed(signal[: 17 * RATE_HZ + 123], sizes)
        processor.skip(0.333)
        processor.feed(signal[17 * RATE_HZ + 123 :], sizes)
        readings.append(processor.read())
    for other in readings[1:]:
        assert_same(readings[0], other)


def test_reset_leaves_the_sitting_and_a_new_source_begins_another() -> None:
    used, never = calibrated(), calibrated()
    for processor in (used, never):
        processor.feed(hum(0.0, 33.33), (479,))
        processor.skip(0.5)
    used.meter.reset()
    assert_same(never.read(), used.read())
    for processor in (used, never):
        processor.feed(busy(32.0, RATE_HZ))
    assert_same(never.read(), used.read())
    used.meter.prepare(Spec(RATE_HZ, 2))
    assert_same(calibrated().read(), used.read())


def test_a_long_sitting_adds_up() -> None:
    processor = calibrated(channels=1)
    second = hum(-20.0, 1.0, channels=1)
    for _ in range(1200):
        processor.feed(second, (RATE_HZ,))
    readings = processor.read()
    expected = share_percent([80.0], [1200.0 / 3600.0], Rule("", 75.0, 40.0))
    assert readings["share"] == pytest.approx(expected, rel=1e-3)
    assert readings["seat_quarter_hour"] == pytest.approx(80.0, abs=0.005)


def test_a_block_of_another_width_is_refused() -> None:
    with pytest.raises(ValueError, match=r"\(frames, 2\)"):
        Processor("listening").meter.process(np.zeros((480, 1)))


@pytest.mark.parametrize(("gap_seconds", "rings_on"), [(0.5, False), (3600.0, False), (0.05, True)])
def test_after_a_long_gap_both_filters_start_from_rest(gap_seconds: float, rings_on: bool) -> None:
    """Silence after the gap is silence under A and under C: what rang before it must not be heard after it."""
    processor = calibrated(48_000)
    rumble = np.cos(2 * np.pi * 25.0 * np.arange(48_000 + 1) / 48_000)[:, None] * [1.0, 0.5]
    processor.feed(rumble)
    processor.skip(gap_seconds)
    processor.feed(silence(2.5 if rings_on else 1.0, 48_000, 2))
    if rings_on:
        assert processor.read()["peak_c"] > 90.0
        return
    processor.feed(silence(0.2, 48_000, 2))
    readings = processor.read()
    assert (readings["feed_each"] == -math.inf).all()
    assert (readings["feed_each_c"] == -math.inf).all()


def test_silence_after_sound_is_silence_again() -> None:
    """A filter's tail ends: without that it would go on as numbers of a thousand decibels under anything."""
    processor = calibrated(48_000)
    processor.feed(tone(50.0, 0.0, 1.0, 48_000, 2))
    processor.feed(silence(2.5, 48_000, 2))
    readings = processor.read()
    assert readings["feed_now"] == readings["seat_now"] == -math.inf
    assert (readings["feed_each_c"] == -math.inf).all()
