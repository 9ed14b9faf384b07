"""The width meter through its manifest: invariances, silence, gaps, odd feeds, and what it says of known pairs."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.signals import silence, tone, white_noise
from dsp.core.types import Spec
from meter.plugin.api import Readout
from meter.readings import Layout
from tests.support.processors import BLOCK_SIZES, Processor, assert_same, random_sizes

RATES_HZ = (8_000, 11_025, 44_100, 48_000, 96_000, 192_000)
NEEDS_TWO = ("correlation", "low_correlation", "balance", "correlation_now", "balance_now", "age")


def mix(rate_hz: int = 48_000, seconds: float = 2.0) -> np.ndarray:
    """Noise that is partly shared, with an inverted low tone of unequal level."""
    first, second = white_noise(np.random.default_rng(9), -20.0, seconds, rate_hz, channels=2).T
    low = tone(60.0, -12.0, seconds, rate_hz, channels=2) * [1.0, -0.7]
    return low + np.stack([first, 0.6 * first + 0.5 * second], axis=1)


def read(signal: np.ndarray, rate_hz: int = 48_000, sizes: tuple[int, ...] = (480,)) -> dict:
    processor = Processor("stereo", rate_hz, signal.shape[1])
    processor.feed(signal, sizes)
    return processor.read()


@pytest.mark.parametrize("rate_hz", [11_025, 48_000])
@pytest.mark.parametrize("sizes", [*((size,) for size in BLOCK_SIZES), tuple(random_sizes(1))], ids=str)
def test_blocks_do_not_matter(rate_hz: int, sizes: tuple[int, ...]) -> None:
    signal = mix(rate_hz, 1.1)
    found, whole = read(signal, rate_hz, sizes), read(signal, rate_hz, (len(signal),))
    # Sums of single-precision spectra depend on how many are made at once.
    np.testing.assert_allclose(found.pop("mono_loss"), whole.pop("mono_loss"), atol=1e-4)
    assert_same(found, whole, within=0.0)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_every_rate_gives_the_closed_forms(rate_hz: int) -> None:
    angle = 60.0
    high = tone(1000.0, -20.0, 4.0, rate_hz, channels=2)
    low = np.concatenate(
        [tone(50.0, -14.0, 4.0, rate_hz), tone(50.0, -14.0, 4.0, rate_hz, phase_degrees=angle)], axis=1
    )
    found = read(high + low, rate_hz)
    strengths = np.array([1.0, 10.0**0.6])
    wanted = strengths @ [1.0, 0.5] / strengths.sum()
    assert found["correlation"] == pytest.approx(wanted, abs=0.003)
    assert found["correlation_now"] == pytest.approx(wanted, abs=0.003)
    assert found["low_correlation"] == pytest.approx(0.5, abs=0.01)
    assert found["low_correlation_now"] == pytest.approx(0.5, abs=0.01)
    assert found["balance"] == pytest.approx(0.0, abs=0.01)
    assert found["age"] == 0.0


def test_swapping_turns_the_balance_and_the_picture_and_nothing_else() -> None:
    straight, swapped = read(mix()), read(mix()[:, ::-1])
    for key in ("correlation", "low_correlation", "correlation_now", "low_correlation_now"):
        assert swapped[key] == pytest.approx(straight[key], abs=1e-9)
    for key in ("balance", "balance_now"):
        assert swapped[key] == pytest.approx(-straight[key], abs=1e-9)
        assert abs(straight[key]) > 1.0
    np.testing.assert_allclose(swapped["picture"][:512], -straight["picture"][:512])
    np.testing.assert_allclose(swapped["picture"][512:], straight["picture"][512:])


def test_polarity_of_one_side_turns_the_correlation() -> None:
    straight, turned = read(mix()), read(mix() * [1.0, -1.0])
    for key in ("correlation", "low_correlation", "correlation_now", "low_correlation_now"):
        assert turned[key] == pytest.approx(-straight[key], abs=1e-9)
    assert turned["balance"] == pytest.approx(straight["balance"])
    assert straight["low_correlation"] < -0.9


def test_gain_moves_only_the_picture_and_a_gain_on_one_side_the_balance() -> None:
    straight, louder = read(mix()), read(mix() * 3.0)
    for key in NEEDS_TWO:
        assert louder[key] == pytest.approx(straight[key], abs=1e-9)
    np.testing.assert_allclose(louder["picture"], 3.0 * straight["picture"])
    one_side = read(mix() * [2.0, 1.0])
    assert one_side["balance"] == pytest.approx(straight["balance"] + 6.0206, abs=1e-3)
    assert one_side["correlation"] == pytest.approx(straight["correlation"], abs=0.01)


def test_an_offset_is_not_sound() -> None:
    found = read(np.full((48_000 * 4, 2), 0.25))
    assert all(np.isnan(found[key]) for key in ("correlation", "correlation_now", "balance", "balance_now", "age"))
    assert read(mix() + np.array([0.3, -0.2]))["correlation"] == pytest.approx(read(mix())["correlation"], abs=0.001)


def test_silence_says_nothing_and_later_silence_keeps_the_judgement_with_its_age() -> None:
    processor = Processor("stereo")
    processor.feed(silence(4.0, 48_000, 2), [4_800])
    found = processor.read()
    assert all(np.isnan(found[key]) for key in (*NEEDS_TWO, "low_correlation", "low_correlation_now"))
    processor.feed(mix(seconds=4.0), [4_800])
    before = processor.read()
    processor.feed(silence(7.0, 48_000, 2), [4_800])
    after = processor.read()
    for key in ("correlation", "correlation_now", "balance_now"):
        assert after[key] == before[key]
    assert after["age"] == pytest.approx(7.0)
    assert not after["picture"].any()


def test_quiet_stretches_do_not_vote() -> None:
    loud = white_noise(np.random.default_rng(1), -20.0, 4.0, 48_000) * [1.0, 1.0]
    quiet = white_noise(np.random.default_rng(2), -45.0, 30.0, 48_000) * [1.0, -1.0]
    processor = Processor("stereo")
    processor.feed(np.concatenate([loud, quiet, loud]), [4_800])
    assert processor.read()["correlation"] == 1.0


def test_one_silent_side() -> None:
    left = read(mix() * [1.0, 0.0])
    assert np.isnan(left["correlation"])
    assert np.isnan(left["low_correlation"])
    assert left["balance"] == np.inf
    assert read(mix() * [0.0, 1.0])["balance"] == -np.inf


def test_lost_frames_are_left_out_and_missing_in_the_picture() -> None:
    processor = Processor("stereo")
    processor.feed(mix(seconds=4.0))
    before = processor.read()
    processor.skip(0.1)
    after = processor.read()
    assert after["correlation"] == before["correlation"]
    assert np.isnan(after["picture"]).sum() == pytest.approx(1024 / 3, abs=4)
    processor.feed(mix(seconds=4.0))
    again = processor.read()
    assert np.isfinite(again["picture"]).all()
    assert again["correlation"] == pytest.approx(before["correlation"], abs=0.01)
    assert again["low_correlation"] == pytest.approx(before["low_correlation"], abs=0.005)


def test_a_thousand_small_gaps_do_not_move_the_reading() -> None:
    pair = np.concatenate(
        [tone(1000.0, -20.0, 0.4, 48_000), tone(1000.0, -20.0, 0.4, 48_000, phase_degrees=40.0)], axis=1
    )
    processor = Processor("stereo")
    rng = np.random.default_rng(4)
    for _ in range(1000):
        processor.feed(pair[: rng.integers(3_000, 19_000)], [8_000])
        processor.skip(float(rng.uniform(0.0001, 0.03)))
    assert processor.read()["correlation"] == pytest.approx(np.cos(np.radians(40.0)), abs=0.002)


def test_reset_forgets() -> None:
    processor = Processor("stereo")
    processor.feed(mix() * [1.0, -1.0])
    processor.meter.reset()
    assert all(np.isnan(value).all() for key, value in processor.read().items() if not key.endswith("_edge"))
    processor.feed(mix())
    assert_same(processor.read(), read(mix()), within=0.0)


@pytest.mark.parametrize("action", ["process", "skip", "reset", "read"])
def test_one_channel_reads_not_yet_and_never_fails(action: str) -> None:
    processor = Processor("stereo", channels=1)
    processor.feed(mix()[:, :1])
    if action == "skip":
        processor.skip(1.0)
    if action == "reset":
        processor.meter.reset()
    assert all(np.isnan(value).all() for value in processor.read().values())


def test_of_many_channels_left_and_right_by_role() -> None:
    many = np.random.default_rng(1).standard_normal((48_000, 6))
    many[:, :2] = mix()[:48_000]
    assert_same(read(many), read(mix()[:48_000]))
    processor = Processor("stereo", channels=3)
    processor.meter.prepare(Spec(48_000, 3, ("C", "R", "L")))
    processor.feed(np.concatenate([many[:, 5:], mix()[:48_000, ::-1]], axis=1))
    assert_same(processor.read(), read(mix()[:48_000]))


def test_huge_finite_input_gives_finite_readings() -> None:
    found = read(mix() * 1e38)
    assert found["correlation"] == pytest.approx(read(mix())["correlation"])
    assert np.isfinite(found["picture"]).all()


def test_every_field_is_written() -> None:
    processor = Processor("stereo")
    layout = Layout.build({"stereo": processor.manifest.fields}, {"stereo": 2})
    values = np.full(layout.total, 12345.0)
    processor.feed(mix(seconds=4.0))
    processor.meter.read(Readout("stereo", layout.slots, values))
    assert not (values == 12345.0).any()


def test_each_figure_looks_back_as_far_as_it_says() -> None:
    """Left leads by 6.02 dB, then right does: over 3 s it evens out, over the last 1.5 s it would not.

    The last 0.3 s are inverted noise: only the quick correlation may read -1 there.
    """
    shared = white_noise(np.random.default_rng(11), -20.0, 1.5, 48_000)
    processor = Processor("stereo")
    for gains in ([2.0, 1.0], [2.0, 1.0], [2.0, 1.0], [1.0, 2.0]):
        processor.feed(shared * gains, [4_800])
    found = processor.read()
    assert found["balance_now"] == pytest.approx(0.0, abs=0.01)
    # Three to one since the reset: 10 log10((3 x 4 + 1) / (3 + 4)), a closed form.
    assert found["balance"] == pytest.approx(10.0 * np.log10(13.0 / 7.0), abs=0.01)
    assert found["correlation_now"] == pytest.approx(1.0, abs=1e-9)
    processor.feed(shared[: round(0.3 * 48_000)] * [1.0, -1.0], [4_800])
    found = processor.read()
    assert found["correlation_now"] == pytest.approx(-1.0, abs=1e-9)
    assert found["correlation"] > 0.7


@pytest.mark.parametrize(("loud_hops", "all_vote"), [(100, False), (55, False), (45, True)])
def test_what_is_loud_is_the_95th_percentile(loud_hops: int, all_vote: bool) -> None:
    """Of 1,000 hops of 50 ms so many are 25 dB over the rest, too far for it to vote, if they are 5 % and more.

    The rest is identical in both channels, the loud ones inverted: -1 says that only these vote.
    """
    loud = white_noise(np.random.default_rng(12), -15.0, loud_hops * 0.05, 48_000) * [1.0, -1.0]
    rest = white_noise(np.random.default_rng(13), -40.0, (1000 - loud_hops) * 0.05, 48_000) * [1.0, 1.0]
    processor = Processor("stereo")
    processor.feed(np.concatenate([rest, loud]), [48_000])
    found = processor.read()["correlation"]
    if all_vote:
        energies = np.array([loud_hops * 10.0**2.5, 1000.0 - loud_hops])
        assert found == pytest.approx((energies[1] - energies[0]) / energies.sum(), abs=0.005)
    else:
        assert found == pytest.approx(-1.0, abs=1e-9)


def test_the_lows_now_are_those_of_the_last_three_seconds() -> None:
    low = tone(60.0, -12.0, 3.6, 48_000)
    processor = Processor("stereo")
    for gains in ([1.0, -1.0], [1.0, -1.0], [1.0, 1.0]):
        processor.feed(low * gains, [4_800])
    found = processor.read()
    assert found["low_correlation_now"] == pytest.approx(1.0, abs=0.001)
    # Two to one against it since the reset; the turn itself excites the filter a little.
    assert found["low_correlation"] == pytest.approx(-1.0 / 3.0, abs=0.05)


def test_a_band_that_is_turned_over_loses_all_and_the_others_nothing() -> None:
    """2 kHz with one side inverted vanishes in mono, 200 Hz in step loses nothing (closed forms)."""
    low, high = tone(200.0, -20.0, 4.0, 48_000, channels=2), tone(2000.0, -20.0, 4.0, 48_000, channels=2)
    found = read(low + high * [1.0, -1.0])
    assert found["mono_low_edge"].tolist() == [120.0, 350.0, 1000.0, 3000.0, 8000.0]
    assert found["mono_high_edge"].tolist() == [350.0, 1000.0, 3000.0, 8000.0, 20_000.0]
    assert found["mono_loss"][0] == pytest.approx(0.0, abs=0.01)
    assert found["mono_loss"][2] < -40.0
    assert np.isnan(found["mono_loss"][[1, 3, 4]]).all()


def test_the_mono_loss_follows_the_last_seconds() -> None:
    """A mean of 3 s: 9 s after a change e^-3 = 5 % of the past is left, so half a decibel of a loss of all."""
    first = tone(2000.0, -20.0, 4.0, 48_000, channels=2)
    then = tone(2000.0, -20.0, 9.0, 48_000, channels=2)
    found = read(np.concatenate([first * [1.0, -1.0], then]))
    assert -0.5 < found["mono_loss"][2] < -0.1
