"""The low end in mono through its manifest: known losses, votes, verdicts, invariances, silence, gaps, odd feeds."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.signals import silence, tone, white_noise
from dsp.core.types import Spec
from tests.support.processors import BLOCK_SIZES, Processor, assert_same, random_sizes

RATES_HZ = (8_000, 11_025, 44_100, 48_000, 96_000, 192_000)
NOT_YET, SOLID, WATCH, LOSES = 0.0, 1.0, 2.0, 3.0


def pair_of(
    frequency_hz: float, level_dbfs: float, phase_degrees: float = 0.0, rate_hz: int = 48_000, seconds: float = 4.0
) -> np.ndarray:
    """A sine in both channels, the right one ahead by a phase."""
    left = tone(frequency_hz, level_dbfs, seconds, rate_hz)
    return np.concatenate(
        [left, tone(frequency_hz, level_dbfs, seconds, rate_hz, phase_degrees=phase_degrees)], axis=1
    )


def mix(rate_hz: int = 48_000, seconds: float = 4.0) -> np.ndarray:
    """Something in every band: 30 Hz alike, 50 Hz apart, 75 Hz inverted and weaker, 105 Hz leaning left."""
    return (
        pair_of(30.0, -20.0, 0.0, rate_hz, seconds)
        + pair_of(50.0, -20.0, 60.0, rate_hz, seconds)
        + pair_of(75.0, -26.0, 180.0, rate_hz, seconds)
        + pair_of(105.0, -20.0, 0.0, rate_hz, seconds) * [1.0, 0.5]
    )


def read(signal: np.ndarray, rate_hz: int = 48_000, sizes: tuple[int, ...] = (480,)) -> dict:
    processor = Processor("mono_lows", rate_hz, signal.shape[1])
    processor.feed(signal, sizes)
    return processor.read()


@pytest.mark.parametrize("rate_hz", [11_025, 48_000])
@pytest.mark.parametrize("sizes", [*((size,) for size in BLOCK_SIZES), tuple(random_sizes(1))], ids=str)
def test_blocks_do_not_matter(rate_hz: int, sizes: tuple[int, ...]) -> None:
    signal = mix(rate_hz, 1.1)
    assert_same(read(signal, rate_hz, sizes), read(signal, rate_hz, (len(signal),)), within=0.0)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_every_rate_reads_the_same(rate_hz: int) -> None:
    assert_same(read(mix(rate_hz, 6.0), rate_hz), read(mix(48_000, 6.0)), within=0.15)


@pytest.mark.parametrize("angle", [30.0, 90.0, 120.0, 170.0])
def test_loss_of_sines_apart_in_phase_is_the_closed_form(angle: float) -> None:
    found = read(pair_of(50.0, -20.0, angle))
    wanted = 10.0 * np.log10((1.0 + np.cos(np.radians(angle))) / 2.0)
    assert found["fold_down_loss"] == pytest.approx(wanted, abs=0.06)
    assert found["loss_now"] == pytest.approx(wanted, abs=0.02)
    assert found["balance"] == pytest.approx(0.0, abs=0.05)
    assert found["level_now"] == pytest.approx(-20.0, abs=0.1)
    assert found["band_loss"][1] == pytest.approx(wanted, abs=0.02)


def test_each_band_gets_its_own_figures() -> None:
    found = read(mix(seconds=6.0))
    np.testing.assert_array_equal(found["band_low_edge"], [20.0, 40.0, 60.0, 90.0])
    np.testing.assert_array_equal(found["band_high_edge"], [40.0, 60.0, 90.0, 120.0])
    np.testing.assert_array_equal(found["band_votes"], 1.0)
    np.testing.assert_allclose(found["band_level"], [-20.0, -20.0, -26.0, -22.04], atol=0.3)
    assert found["band_loss"][0] == pytest.approx(0.0, abs=0.05)
    assert found["band_loss"][1] == pytest.approx(-1.25, abs=0.1)
    assert found["band_loss"][2] < -8.0
    np.testing.assert_allclose(found["band_balance"][[0, 3]], [0.0, 6.02], atol=0.15)
    assert found["worst_band"] == 2.0


def test_a_band_15_db_under_the_strongest_does_not_vote() -> None:
    found = read(pair_of(50.0, -10.0) + pair_of(105.0, -27.0, 180.0))
    np.testing.assert_array_equal(found["band_votes"], [0.0, 1.0, 0.0, 0.0])
    np.testing.assert_array_equal(np.isnan(found["band_loss"]), [True, False, True, True])
    assert found["worst_band"] == 1.0
    assert found["verdict"] == SOLID


@pytest.mark.parametrize(
    ("signal", "wanted"),
    [
        (pair_of(50.0, -20.0), SOLID),
        (pair_of(50.0, -20.0, 35.0), SOLID),
        (pair_of(50.0, -20.0, 45.0), WATCH),
        (pair_of(50.0, -20.0, 60.0), WATCH),
        (pair_of(50.0, -20.0, 75.0), LOSES),
        (pair_of(50.0, -20.0) * [1.0, 0.95], SOLID),
        (pair_of(50.0, -20.0) * [1.0, 0.87], WATCH),
        (pair_of(50.0, -20.0) * [1.0, 0.8], LOSES),
        (pair_of(50.0, -20.0) * [1.0, 0.0], LOSES),
        (pair_of(50.0, -20.0, 180.0), LOSES),
    ],
)
def test_verdict(signal: np.ndarray, wanted: float) -> None:
    assert read(signal)["verdict"] == wanted


def test_one_side_loses_3_db_and_leans_without_end() -> None:
    left = read(pair_of(50.0, -20.0) * [1.0, 0.0])
    assert left["fold_down_loss"] == pytest.approx(-3.0103, abs=0.001)
    assert left["balance"] == np.inf
    assert read(pair_of(50.0, -20.0) * [0.0, 1.0])["balance"] == -np.inf


def test_inverted_lows_vanish_and_polarity_back_mends_it() -> None:
    turned = read(pair_of(50.0, -20.0) * [1.0, -1.0])
    assert turned["fold_down_loss"] == -np.inf
    assert turned["loss_now"] == -np.inf
    assert turned["worst_band"] == 1.0
    assert read(pair_of(50.0, -20.0, 180.0) * [1.0, -1.0])["fold_down_loss"] == pytest.approx(0.0, abs=1e-6)


def test_swapping_turns_the_balance_only() -> None:
    straight, swapped = read(mix()), read(mix()[:, ::-1])
    for key, value in straight.items():
        sign = -1.0 if "balance" in key else 1.0
        np.testing.assert_allclose(swapped[key], sign * value, atol=1e-9, err_msg=key)


def test_gain_moves_levels_only() -> None:
    straight, louder = read(mix()), read(mix() * 2.0)
    for key, value in straight.items():
        shift = 6.0206 if "level" in key else 0.0
        np.testing.assert_allclose(louder[key], value + shift, atol=1e-3, err_msg=key)


def test_highs_and_offsets_do_not_matter() -> None:
    wide = white_noise(np.random.default_rng(3), -20.0, 4.0, 48_000)
    spectrum = np.fft.rfft(wide, axis=0)
    spectrum[: 4 * 400] = 0.0
    high = np.fft.irfft(spectrum, len(wide), axis=0) * [1.0, -1.0]
    offset = [0.001, -0.003]
    found, plain = read(mix() + high + offset), read(mix())
    np.testing.assert_allclose(found["band_loss"], plain["band_loss"], atol=0.05)
    assert found["loss_now"] == pytest.approx(plain["loss_now"], abs=0.02)


def test_silence_says_nothing_and_later_silence_keeps_the_judgement_with_its_age() -> None:
    processor = Processor("mono_lows")
    processor.feed(silence(4.0, 48_000, 2), [4_800])
    found = processor.read()
    assert found["verdict"] == NOT_YET
    assert not found["band_votes"].any()
    for key in (
        "fold_down_loss",
        "balance",
        "loss_now",
        "balance_now",
        "level_now",
        "band_loss",
        "age",
        "worst_band",
    ):
        assert np.isnan(found[key]).all(), key
    processor.feed(mix(), [4_800])
    processor.feed(silence(0.5, 48_000, 2), [4_800])
    before = processor.read()
    processor.feed(silence(6.0, 48_000, 2), [4_800])
    after = processor.read()
    assert after["age"] == pytest.approx(before["age"] + 6.0, abs=0.05)
    after["age"] = before["age"]
    assert_same(after, before)


def test_a_verdict_needs_a_little_sound() -> None:
    processor = Processor("mono_lows")
    processor.feed(pair_of(50.0, -20.0, seconds=0.2))
    assert processor.read()["verdict"] == NOT_YET
    processor.feed(pair_of(50.0, -20.0, seconds=0.3))
    assert processor.read()["verdict"] == SOLID


def test_lost_frames_are_left_out() -> None:
    processor = Processor("mono_lows")
    processor.feed(mix())
    before = processor.read()
    processor.skip(5.0)
    gap = processor.read()
    assert gap["age"] == pytest.approx(5.0)
    assert gap["loss_now"] == before["loss_now"]
    processor.feed(mix())
    after = processor.read()
    assert after["age"] == 0.0
    assert after["loss_now"] == pytest.approx(before["loss_now"], abs=0.1)
    assert after["fold_down_loss"] == pytest.approx(before["fold_down_loss"], abs=0.1)


def test_many_small_gaps_do_not_move_the_reading() -> None:
    processor = Processor("mono_lows")
    rng = np.random.default_rng(4)
    signal = pair_of(50.0, -20.0, 60.0)
    for _ in range(100):
        processor.feed(signal[: rng.integers(48_000, 144_000)], [8_000])
        processor.skip(float(rng.uniform(0.0001, 0.3)))
    assert processor.read()["fold_down_loss"] == pytest.approx(-1.2494, abs=0.02)


def test_reset_forgets() -> None:
    processor = Processor("mono_lows")
    processor.feed(mix() * [1.0, -1.0])
    processor.meter.reset()
    assert processor.read()["verdict"] == NOT_YET
    assert np.isnan(processor.read()["fold_down_loss"])
    processor.feed(mix())
    assert_same(processor.read(), read(mix()), within=0.0)


def test_one_channel_reads_not_yet_and_never_fails() -> None:
    processor = Processor("mono_lows", channels=1)
    processor.feed(mix()[:, :1])
    processor.skip(1.0)
    found = processor.read()
    assert found["verdict"] == NOT_YET
    for key in ("fold_down_loss", "balance", "loss_now", "level_now", "band_loss", "band_level", "age"):
        assert np.isnan(found[key]).all(), key
    processor.meter.reset()
    assert processor.read()["verdict"] == NOT_YET


def test_of_many_channels_left_and_right_by_role() -> None:
    many = np.random.default_rng(1).standard_normal((48_000 * 4, 3))
    processor = Processor("mono_lows", channels=5)
    processor.meter.prepare(Spec(48_000, 5, ("C", "R", "L", "LFE", "Ls")))
    processor.feed(np.concatenate([many[:, :1], mix()[:, ::-1], many[:, 1:]], axis=1))
    assert_same(processor.read(), read(mix()))


def test_huge_finite_input_gives_the_same_loss() -> None:
    found, plain = read(mix() * 1e38), read(mix())
    assert found["loss_now"] == pytest.approx(plain["loss_now"])
    assert found["verdict"] == plain["verdict"]


@pytest.mark.parametrize(
    ("before", "now", "wanted"),
    [([1.0, -1.0], [1.0, 1.0], SOLID), ([1.0, 1.0], [1.0, -1.0], LOSES), ([1.0, 0.8], [1.0, 0.87], WATCH)],
)
def test_the_verdict_is_of_now_whatever_came_before(before: list[float], now: list[float], wanted: float) -> None:
    processor = Processor("mono_lows")
    processor.feed(pair_of(50.0, -20.0, seconds=20.0) * before, [4_800])
    processor.feed(pair_of(50.0, -20.0, seconds=3.5) * now, [4_800])
    found = processor.read()
    assert found["verdict"] == wanted
    assert found["loss_now"] == pytest.approx(read(pair_of(50.0, -20.0) * now)["loss_now"], abs=0.02)
    assert found["fold_down_loss"] != pytest.approx(found["loss_now"], abs=0.02), "since the reset it differs"
