"""The level meter: movements against an alignment, usual loud and quiet, gaps, any blocks."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from dsp.core.signals import pink_noise, silence, stepped_tone, tone
from dsp.core.types import FloatArray
from tests.support.processors import Processor, assert_same

MOVEMENTS = ["vu", "ppm_1", "ppm_2"]
RATES_HZ = [44_100, 48_000, 96_000, 192_000]
every_movement = pytest.mark.parametrize("movement", MOVEMENTS)


def after(signal: FloatArray, sizes: tuple[int, ...] = (480,), **settings: Any) -> dict[str, Any]:
    processor = Processor("vu", channels=signal.shape[1], **settings)
    processor.feed(signal, sizes)
    return processor.read()


def music(seconds: float = 4.0) -> FloatArray:
    """Noise that comes and goes, the right side 6 dB lower."""
    signal = pink_noise(np.random.default_rng(5), -18.0, seconds, 48_000, 2)
    signal *= (0.1 + np.abs(np.sin(np.arange(len(signal)) / 9000.0)))[:, None]
    signal[:, 1] *= 0.5
    return signal


@every_movement
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_sine_at_the_alignment_reads_zero_on_every_movement(movement: str, rate_hz: int) -> None:
    processor = Processor("vu", rate_hz, movement=movement)
    processor.feed(tone(997.0, -18.0, 4.0, rate_hz, 2), (rate_hz // 100,))
    readings = processor.read()
    np.testing.assert_allclose(readings["now"], 0.0, atol=0.06)
    assert readings["usual"] == pytest.approx(0.0, abs=0.06)
    assert readings["peak_over"] == pytest.approx(0.0, abs=0.06)
    # The needle swings past by 1 to 1.5 % (ANSI C16.5): 0.09 to 0.13 VU.
    assert readings["max"] == pytest.approx(0.108 if movement == "vu" else 0.0, abs=0.02)
    assert readings["alignment"] == -18.0
    assert readings["movement"] == MOVEMENTS.index(movement)


@pytest.mark.parametrize(
    ("quiet_seconds", "loud_seconds", "usual_low", "usual"), [(2.0, 2.0, -12.0, 3.0), (0.5, 0.5, -6.0, -6.0)]
)
def test_usual_loud_and_quiet_are_the_90th_and_10th_percentile_of_10_s(
    quiet_seconds: float, loud_seconds: float, usual_low: float, usual: float
) -> None:
    middle_seconds = 10.0 - quiet_seconds - loud_seconds
    steps = [(-30.0, quiet_seconds), (-24.0, middle_seconds), (-15.0, loud_seconds)]
    readings = after(stepped_tone(997.0, steps, 48_000, 2), movement="ppm_1")
    assert readings["usual"] == pytest.approx(usual, abs=0.05)
    assert readings["usual_low"] == pytest.approx(usual_low, abs=0.05)
    assert readings["peak_over"] == pytest.approx(3.0 - usual, abs=0.05)


def test_usual_forgets_what_is_older_than_10_s() -> None:
    loud_then_quiet = stepped_tone(997.0, [(-6.0, 8.0), (-26.0, 10.5)], 48_000, 2)
    readings = after(loud_then_quiet)
    assert readings["usual"] == pytest.approx(-8.0, abs=0.1)
    assert readings["peak_over"] == pytest.approx(0.0, abs=0.1)
    assert readings["max"] == pytest.approx(12.1, abs=0.1)


def test_rests_do_not_count_as_quiet_playing() -> None:
    bars = np.concatenate([tone(997.0, -18.0, 1.0, 48_000, 2), silence(1.0, 48_000, 2)] * 4)
    readings = after(bars, movement="ppm_2")
    assert readings["usual"] == pytest.approx(0.0, abs=0.1)
    # The return takes 2.8 s for 24 dB (IEC 60268-10), so a rest of 1 s reaches 8.6 dB down at most.
    assert -8.7 < readings["usual_low"] < 0.0


def test_usual_waits_for_3_s_of_sound() -> None:
    processor = Processor("vu")
    processor.feed(silence(5.0, 48_000, 2))
    processor.feed(tone(997.0, -18.0, 2.9, 48_000, 2))
    readings = processor.read()
    assert all(math.isnan(readings[key]) for key in ("usual", "usual_low", "peak_over"))
    processor.feed(tone(997.0, -18.0, 0.3, 48_000, 2))
    assert math.isfinite(processor.read()["usual"])


def test_the_louder_channel_counts() -> None:
    signal = tone(997.0, -18.0, 4.0, 48_000, 2)
    signal[:, 0] *= 0.1
    readings = after(signal)
    np.testing.assert_allclose(readings["now"], [-20.0, 0.0], atol=0.05)
    assert readings["usual"] == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("channels", [1, 6])
def test_one_channel_or_many(channels: int) -> None:
    readings = after(tone(997.0, -18.0, 3.5, 48_000, channels))
    assert readings["now"].shape == (channels,)
    np.testing.assert_allclose(readings["now"], 0.0, atol=0.05)
    assert readings["usual"] == pytest.approx(0.0, abs=0.05)


@every_movement
def test_silence_is_minus_infinity_and_before_the_first_frame_nothing_is_known(movement: str) -> None:
    processor = Processor("vu", movement=movement)
    readings = processor.read()
    assert np.isnan(readings["now"]).all()
    assert all(math.isnan(readings[key]) for key in ("max", "usual", "usual_low", "peak_over"))
    processor.feed(silence(4.0, 48_000, 2))
    readings = processor.read()
    assert (readings["now"] == -math.inf).all()
    assert readings["max"] == -math.inf
    assert math.isnan(readings["usual"])


@every_movement
def test_the_movement_holds_over_a_gap(movement: str) -> None:
    processor = Processor("vu", movement=movement)
    processor.feed(tone(997.0, -18.0, 4.0, 48_000, 2))
    before = processor.read()
    processor.skip(1.0)
    after_gap = processor.read()
    np.testing.assert_array_equal(after_gap["now"], before["now"])
    assert after_gap["max"] == before["max"]
    processor.feed(tone(997.0, -18.0, 1.0, 48_000, 2))
    assert processor.read()["usual"] == pytest.approx(before["usual"], abs=0.05)


def test_a_thousand_gaps_leave_the_usual_level_alone() -> None:
    rng = np.random.default_rng(9)
    whole, holed = Processor("vu"), Processor("vu")
    for _ in range(1000):
        piece = pink_noise(rng, -18.0, 0.01, 48_000, 2)
        whole.feed(piece)
        holed.feed(piece)
        holed.skip(rng.uniform(0.0, 0.001))
    assert holed.read()["max"] == pytest.approx(whole.read()["max"], abs=1e-9)
    assert math.isnan(holed.read()["usual"]), "every tick was touched by a gap, so nothing is said"


def test_a_gap_counts_as_time_in_the_10_s() -> None:
    processor = Processor("vu")
    processor.feed(tone(997.0, -6.0, 5.0, 48_000, 2))
    processor.skip(20.0)
    assert math.isnan(processor.read()["usual"])


def test_another_alignment_counts_at_once_for_what_was_held_too() -> None:
    processor = Processor("vu")
    processor.feed(tone(997.0, -18.0, 4.0, 48_000, 2))
    before = processor.read()
    processor.configure(alignment_dbfs=-20.0)
    after_change = processor.read()
    assert after_change["alignment"] == -20.0
    for key in ("max", "usual", "usual_low"):
        assert after_change[key] == pytest.approx(before[key] + 2.0)
    assert after_change["peak_over"] == pytest.approx(before["peak_over"])


def test_another_movement_starts_afresh() -> None:
    processor = Processor("vu")
    processor.feed(tone(997.0, 0.0, 4.0, 48_000, 2))
    processor.configure(movement="ppm_1")
    assert_same(processor.read(), Processor("vu", movement="ppm_1").read())
    processor.configure(movement="ppm_1", alignment_dbfs=-18.0)
    processor.feed(tone(997.0, -18.0, 1.0, 48_000, 2))
    assert processor.read()["max"] == pytest.approx(0.0, abs=0.02)


def test_a_block_of_another_width_is_refused() -> None:
    with pytest.raises(ValueError, match=r"\(frames, 2\)"):
        Processor("vu").meter.process(np.zeros((480, 1)))


@pytest.mark.parametrize(("seconds", "usual_low", "usual"), [(1.1, -12.0, 3.0), (0.9, -6.0, -6.0)])
def test_a_tenth_of_the_time_makes_it_usual(seconds: float, usual_low: float, usual: float) -> None:
    """11 % of the last 10 s are more than the 10 % that a percentile leaves out at its end, 9 % are less."""
    steps = [(-30.0, seconds), (-24.0, 10.0 - 2.0 * seconds), (-15.0, seconds)]
    readings = after(stepped_tone(997.0, steps, 48_000, 2), movement="ppm_1")
    assert readings["usual"] == pytest.approx(usual, abs=0.05)
    assert readings["usual_low"] == pytest.approx(usual_low, abs=0.05)


@every_movement
@pytest.mark.parametrize(("level_dbfs", "heard"), [(-59.0, True), (-61.0, False)])
def test_playing_begins_at_60_db_under_full_scale(movement: str, level_dbfs: float, heard: bool) -> None:
    readings = after(tone(997.0, level_dbfs, 4.0, 48_000, 2), movement=movement)
    assert math.isfinite(readings["usual"]) == heard
    rest_then_music = stepped_tone(997.0, [(level_dbfs, 5.0), (-18.0, 5.0)], 48_000, 2)
    usual_low = after(rest_then_music, movement=movement)["usual_low"]
    assert (usual_low < -35.0) == heard, "what is under the gate is a rest, not quiet playing"


@every_movement
def test_the_noise_after_the_music_does_not_count_as_playing(movement: str) -> None:
    """Music at -25 dBFS, then the noise of the desk at -54 dBFS: what it sits at and hits stays that of the music."""
    processor = Processor("vu", movement=movement)
    processor.feed(tone(997.0, -25.0, 12.0, 48_000, 2))
    playing = processor.read()
    assert playing["age"] == 0.0
    processor.feed(tone(997.0, -54.0, 6.0, 48_000, 2))
    stopped = processor.read()
    assert stopped["usual"] == pytest.approx(playing["usual"], abs=0.1)
    assert stopped["usual_low"] > playing["usual_low"] - 20.0
    assert stopped["age"] > 2.0
    processor.feed(tone(997.0, -54.0, 7.0, 48_000, 2))
    assert math.isnan(processor.read()["usual"])


def test_a_passage_that_stays_quiet_counts_in_the_end() -> None:
    """What was loud falls by 0.5 dB a second: 29 dB down counts after 18 s."""
    processor = Processor("vu")
    processor.feed(tone(997.0, -10.0, 10.0, 48_000, 2))
    processor.feed(tone(997.0, -39.0, 17.0, 48_000, 2))
    assert processor.read()["age"] > 15.0
    processor.feed(tone(997.0, -39.0, 6.0, 48_000, 2))
    readings = processor.read()
    assert readings["age"] == 0.0
    assert readings["usual"] == pytest.approx(-21.0, abs=0.1)
