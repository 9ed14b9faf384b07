"""Movements of level meters: exact against slow references, the same in any blocks, at rest, reset and rate."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from dsp.core.signals import silence, tone, white_noise
from dsp.core.types import FloatArray
from dsp.level.ballistics import (
    RISE_LEVEL,
    TYPE_I_CHARGE_SECONDS,
    TYPE_II_CHARGE_SECONDS,
    Movement,
    PeakProgramme,
    VolumeIndicator,
    damping_ratio,
    natural_frequency,
    steady_sine_reading,
    step_response,
)
from tests.support.processors import BLOCK_SIZES, blocks, random_sizes

RATES_HZ = [44_100, 48_000, 88_200, 96_000, 192_000]
MAKERS: dict[str, Callable[[int, int], Movement]] = {
    "VU": VolumeIndicator, "PPM I": PeakProgramme.type_1, "PPM II": PeakProgramme.type_2,
}  # fmt: skip
every_movement = pytest.mark.parametrize("make", MAKERS.values(), ids=MAKERS.keys())


def programme(seconds: float = 1.0, rate_hz: int = 48_000) -> FloatArray:
    """Noise that swells and dies, silence, a tone; two different channels."""
    rng = np.random.default_rng(8)
    noise = white_noise(rng, -12.0, seconds, rate_hz, channels=2)
    noise *= np.exp(-4.0 * (np.arange(len(noise)) % (rate_hz // 4)) / rate_hz)[:, None]
    both = np.concatenate([noise, silence(0.1, rate_hz, 2), tone(997.0, -6.0, 0.3, rate_hz, 2)])
    both[:, 1] *= 0.25
    return both


def slow_peak_programme(block: FloatArray, rate_hz: int, charge_seconds: float, fall_db_per_s: float) -> FloatArray:
    """The same movement by its definition, one sample at a time."""
    charge = 1.0 - math.exp(-1.0 / (rate_hz * charge_seconds))
    keep = 10.0 ** (-fall_db_per_s / 20.0 / rate_hz)
    curve = np.empty_like(block)
    for channel in range(block.shape[1]):
        reading = 0.0
        for frame, sample in enumerate(np.abs(block[:, channel]).tolist()):
            reading *= keep
            reading += charge * max(0.0, sample - reading)
            curve[frame, channel] = reading
    fall_tau = 20.0 * math.log10(math.e) / fall_db_per_s
    return curve / steady_sine_reading(charge_seconds, fall_tau)


@pytest.mark.parametrize(
    ("make", "charge_seconds", "fall_db_per_s"),
    [
        (PeakProgramme.type_1, TYPE_I_CHARGE_SECONDS, 20.0 / 1.7),
        (PeakProgramme.type_2, TYPE_II_CHARGE_SECONDS, 24.0 / 2.8),
    ],
    ids=["I", "II"],
)
@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_peak_programme_equals_the_loop_over_samples(
    make: Callable[[int, int], PeakProgramme], charge_seconds: float, fall_db_per_s: float, rate_hz: int
) -> None:
    signal = programme(0.3, rate_hz)
    expected = slow_peak_programme(signal, rate_hz, charge_seconds, fall_db_per_s)
    np.testing.assert_allclose(make(rate_hz, 2).process(signal), expected, rtol=1e-9)


@pytest.mark.parametrize(("charge_seconds", "fall_tau_seconds"), [(0.0015, 0.738), (0.0023, 1.013)])
def test_a_steady_sine_settles_about_0_19_db_below_its_peak(charge_seconds: float, fall_tau_seconds: float) -> None:
    # 0.18 dB for the 5 kHz sine at 48 kHz that was simulated; the balance is its limit for many samples a period.
    reading_db = 20.0 * math.log10(steady_sine_reading(charge_seconds, fall_tau_seconds))
    assert reading_db == pytest.approx(-0.19, abs=0.03)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_the_needle_is_exact_at_every_rate(rate_hz: int) -> None:
    damping = damping_ratio(0.0125)
    natural = natural_frequency(damping)
    curve = VolumeIndicator(rate_hz, 1).process(np.ones((rate_hz, 1)))[:, 0] * 2.0 / math.pi
    frames = np.arange(0, rate_hz, rate_hz // 50)
    expected = [step_response((frame + 1) / rate_hz, damping, natural) for frame in frames]
    np.testing.assert_allclose(curve[frames], expected, atol=1e-7)
    assert curve[round(0.3 * rate_hz) - 1] == pytest.approx(RISE_LEVEL, abs=1e-7)
    assert curve.max() == pytest.approx(1.0125, abs=1e-6)


@every_movement
@pytest.mark.parametrize("size", BLOCK_SIZES)
def test_any_block_size_gives_the_same_curve(make: Callable[[int, int], Movement], size: int) -> None:
    signal = programme()[:20_000] if size == 1 else programme()
    whole, pieces = make(48_000, 2), make(48_000, 2)
    expected = whole.process(signal)
    got = np.concatenate([pieces.process(block) for block in blocks(signal, [size])])
    np.testing.assert_allclose(got, expected, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(pieces.now, whole.now, rtol=1e-9)


@every_movement
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_random_blocks_give_the_same_curve(make: Callable[[int, int], Movement], seed: int) -> None:
    signal, pieces = programme(), make(48_000, 2)
    got = np.concatenate([pieces.process(block) for block in blocks(signal, random_sizes(seed))])
    np.testing.assert_allclose(got, make(48_000, 2).process(signal), rtol=1e-9, atol=1e-12)


@every_movement
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_full_scale_sine_reads_one(make: Callable[[int, int], Movement], rate_hz: int) -> None:
    curve = make(rate_hz, 1).process(tone(997.0, 0.0, 2.0, rate_hz))
    assert curve[-rate_hz // 10 :].max() == pytest.approx(1.0, abs=0.002)


@every_movement
def test_reset_is_a_fresh_start(make: Callable[[int, int], Movement]) -> None:
    signal, movement = programme(0.2), make(48_000, 2)
    movement.process(signal)
    movement.reset()
    np.testing.assert_array_equal(movement.now, [0.0, 0.0])
    np.testing.assert_array_equal(movement.process(signal), make(48_000, 2).process(signal))


@every_movement
def test_rest_is_exactly_zero_and_never_below(make: Callable[[int, int], Movement]) -> None:
    movement = make(48_000, 1)
    assert not movement.process(silence(0.1, 48_000)).any()
    movement.process(tone(997.0, 0.0, 1.0, 48_000))
    for _ in range(80):
        assert movement.process(silence(1.0, 48_000)).min() >= 0.0
    assert movement.now[0] == 0.0, "a tail ends in zero, not in denormal numbers"


@every_movement
def test_channels_do_not_touch_each_other(make: Callable[[int, int], Movement]) -> None:
    signal = programme(0.2)
    together = make(48_000, 2).process(signal)
    for channel in (0, 1):
        alone = make(48_000, 1).process(signal[:, [channel]])
        np.testing.assert_allclose(together[:, [channel]], alone, rtol=1e-12, atol=1e-15)


@every_movement
def test_the_block_is_not_written_to_and_an_empty_one_changes_nothing(make: Callable[[int, int], Movement]) -> None:
    signal, movement = programme(0.05), make(48_000, 2)
    signal.flags.writeable = False
    movement.process(signal)
    before = movement.now.copy()
    assert movement.process(np.empty((0, 2))).shape == (0, 2)
    np.testing.assert_array_equal(movement.now, before)


@every_movement
@pytest.mark.parametrize("shape", [(480,), (480, 3), (2, 480)])
def test_a_block_of_another_shape_is_refused(make: Callable[[int, int], Movement], shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="was expected"):
        make(48_000, 2).process(np.zeros(shape))


def test_loudest_input_stays_finite() -> None:
    loud = np.full((4800, 1), 1e3)
    for make in MAKERS.values():
        assert np.isfinite(make(48_000, 1).process(loud)).all()
