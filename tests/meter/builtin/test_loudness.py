"""The loudness meter through its manifest: every field, any blocks, pauses by setting, gaps, silence."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.core.signals import pink_noise, silence, stepped_tone, tone
from dsp.core.types import FloatArray
from meter.builtin.loudness.process import Loudness
from tests.support.processors import Processor, assert_same

RATES_HZ = [44_100, 48_000, 96_000, 192_000]


def after(signal: FloatArray, sizes: tuple[int, ...] = (480,), **settings: bool) -> dict:
    processor = Processor("loudness", channels=signal.shape[1], **settings)
    processor.feed(signal, sizes)
    return processor.read()


def music(seconds: float = 4.4) -> FloatArray:
    noise = pink_noise(np.random.default_rng(9), -20.0, seconds, 48_000, 2)
    return noise * (0.1 + np.abs(np.sin(np.arange(len(noise)) / 30_000.0)))[:, None]


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_every_field_of_a_tone(rate_hz: int) -> None:
    processor = Processor("loudness", rate_hz)
    processor.feed(stepped_tone(1000.0, [(-20.0, 10.0), (-30.0, 10.0)], rate_hz, 2), (rate_hz // 100,))
    readings = processor.read()
    assert readings["momentary"] == pytest.approx(-30.0, abs=0.01)
    assert readings["short_term"] == pytest.approx(-30.0, abs=0.01)
    assert readings["momentary_max"] == pytest.approx(-20.0, abs=0.01)
    assert readings["short_term_max"] == pytest.approx(-20.0, abs=0.01)
    # The relative gate lies at -32.6 LUFS, so both steps count: mean of 10 ^ -2 and 10 ^ -3.
    assert readings["integrated"] == pytest.approx(-20.0 + 10.0 * math.log10(0.55), abs=0.05)
    assert readings["range"] == pytest.approx(10.0, abs=0.1)
    assert readings["measured"] == pytest.approx(20.0)
    assert readings["incomplete"] == 0.0
    assert readings["history"].shape == (300,)
    np.testing.assert_allclose(readings["history"][-18:][[0, 17]], [-20.0, -30.0], atol=0.01)
    assert np.isnan(readings["history"][:-18]).all()


def test_nothing_is_known_before_the_first_window() -> None:
    readings = after(music(0.39))
    for key in ("momentary", "short_term", "integrated", "momentary_max", "short_term_max", "range"):
        assert math.isnan(readings[key]), key
    assert readings["measured"] == pytest.approx(0.39)


def test_silence_is_minus_infinity() -> None:
    readings = after(silence(4.0, 48_000, 2))
    for key in ("momentary", "short_term", "integrated", "momentary_max", "short_term_max"):
        assert readings[key] == -math.inf, key
    assert math.isnan(readings["range"])


def test_the_setting_running_pauses_and_resumes() -> None:
    processor = Processor("loudness")
    processor.feed(tone(1000.0, -23.0, 5.0, 48_000, 2))
    before = processor.read()
    processor.configure(running=False)
    processor.feed(tone(1000.0, -10.0, 5.0, 48_000, 2))
    paused = processor.read()
    assert paused["momentary"] == pytest.approx(-10.0, abs=0.01)
    for key in ("integrated", "momentary_max", "short_term_max", "range", "measured"):
        assert paused[key] == before[key], key
    processor.configure(running=True)
    processor.feed(tone(1000.0, -23.0, 5.0, 48_000, 2))
    assert processor.read()["integrated"] == pytest.approx(-23.0, abs=0.02)
    assert processor.read()["measured"] == pytest.approx(10.0)


def test_a_meter_that_starts_paused_counts_nothing() -> None:
    readings = after(music(), running=False)
    assert math.isnan(readings["integrated"])
    assert readings["measured"] == 0.0
    assert math.isfinite(readings["short_term"])


def test_reset_forgets_the_signal_and_keeps_the_pause() -> None:
    processor = Processor("loudness")
    processor.feed(music())
    processor.meter.reset()
    processor.feed(music())
    assert_same(after(music()), processor.read())
    processor.configure(running=False)
    processor.meter.reset()
    processor.feed(music())
    assert math.isnan(processor.read()["integrated"])


def test_a_gap_blanks_its_windows_and_marks_the_measurement() -> None:
    processor = Processor("loudness")
    processor.feed(tone(1000.0, -23.0, 5.0, 48_000, 2))
    processor.skip(0.02)
    processor.feed(tone(1000.0, -23.0, 0.3, 48_000, 2))
    readings = processor.read()
    assert math.isnan(readings["momentary"])
    assert readings["incomplete"] == 1.0
    assert readings["measured"] == pytest.approx(5.3)
    assert readings["lost_mark"] == pytest.approx(0.02)
    processor.meter.mark()
    processor.skip(1.5)
    assert processor.read()["lost_mark"] == pytest.approx(1.5)
    assert readings["integrated"] == pytest.approx(-22.9933, abs=0.001)


@pytest.mark.parametrize("channels", [1, 2, 6, 8])
def test_any_number_of_channels(channels: int) -> None:
    sides = {6: 2, 8: 2}.get(channels, 0)
    fronts = channels - sides - (1 if channels >= 6 else 0)
    expected = -23.0 - 3.01 + 10.0 * math.log10(fronts + 1.41 * sides)
    assert after(tone(997.0, -23.0, 2.0, 48_000, channels))["integrated"] == pytest.approx(expected, abs=0.01)


def test_use_before_prepare_is_a_clear_error() -> None:
    with pytest.raises(RuntimeError, match="prepare"):
        Loudness().process(np.zeros((1, 2)))


def test_what_is_lost_in_a_pause_is_not_missing() -> None:
    processor = Processor("loudness")
    processor.feed(tone(997.0, -23.0, 5.0, 48_000, 2))
    processor.configure(running=False)
    processor.skip(3600.0)
    # Still in the pause, the filter settles again.
    processor.feed(tone(997.0, -23.0, 1.0, 48_000, 2))
    processor.configure(running=True)
    processor.feed(tone(997.0, -23.0, 5.0, 48_000, 2))
    readings = processor.read()
    assert readings["incomplete"] == 0.0
    assert readings["measured"] == pytest.approx(10.0)
    processor.skip(2.0)
    assert processor.read()["incomplete"] == 1.0


def test_short_gaps_apart_lose_no_more_than_themselves() -> None:
    """Ten gaps of 20 ms, a second apart: only one of 100 ms and more in a row costs the time to settle after it."""
    processor = Processor("loudness")
    for _ in range(10):
        processor.feed(tone(997.0, -23.0, 1.0, 48_000, 2))
        processor.skip(0.02)
    assert processor.read()["measured"] == pytest.approx(10.0)


def test_the_highest_short_term_is_a_mean_of_3_s_and_the_highest_momentary_is_not() -> None:
    """A second at -20 LUFS between long stretches at -30: over 3 s at most (10^-2 + 2 x 10^-3) / 3 (closed form)."""
    readings = after(stepped_tone(1000.0, [(-30.0, 5.0), (-20.0, 1.0), (-30.0, 5.0)], 48_000, 2))
    assert readings["momentary_max"] == pytest.approx(-20.0, abs=0.05)
    assert readings["short_term_max"] == pytest.approx(10.0 * math.log10(0.012 / 3.0), abs=0.05)
