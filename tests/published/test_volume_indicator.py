"""Volume indicator against IEC 60268-17 (1990) and ANSI C16.5-1954, and its bursts against a closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import TransferFunction, lsim

from dsp.level.ballistics import VolumeIndicator, damping_ratio, natural_frequency
from meter.selftest.movement import CHECKS, MODEL, VU_AMERICAN, VU_STANDARD
from tests.support.published import by_source, hold_all


def test_iec_60268_17_rise_and_calibration() -> None:
    hold_all(by_source(CHECKS, VU_STANDARD))


def test_c16_5_overshoot_return_and_response() -> None:
    hold_all(by_source(CHECKS, VU_AMERICAN))


def test_bursts_read_as_the_closed_form_says() -> None:
    hold_all(by_source(CHECKS, MODEL))


def test_damping_and_frequency_of_three_overshoots() -> None:
    hold_all(by_source(CHECKS, "closed form of a second-order movement, 99 %"))


def test_waveforms_against_rms() -> None:
    hold_all(by_source(CHECKS, "mean of the rectified wave"))


def test_the_damping_lies_in_the_band_that_c16_5_allows() -> None:
    # 1 % and 1.5 % overshoot are damping ratios of 0.8261 and 0.8008, by z = -ln OS / sqrt(pi² + ln² OS).
    damping = damping_ratio(0.0125)
    assert 0.8008 <= damping <= 0.8261
    assert damping == pytest.approx(0.81272, abs=1e-5)
    assert natural_frequency(damping) == pytest.approx(13.5120, abs=1e-4)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 88_200, 96_000, 176_400, 192_000])
def test_every_rate_moves_as_scipys_analogue_model(rate_hz: int) -> None:
    damping = damping_ratio(0.0125)
    natural = natural_frequency(damping)
    analogue = TransferFunction([natural**2], [1.0, 2.0 * damping * natural, natural**2])
    times = np.linspace(0.0, 0.6, 61)
    levels = np.where(times < 0.25, 1.0, 0.3)
    _, expected, _ = lsim(analogue, levels, times, interp=False)
    held = np.repeat(levels[:-1], rate_hz // 100)[:, None]
    curve = VolumeIndicator(rate_hz, 1).process(held)[:, 0] * 2.0 / np.pi
    np.testing.assert_allclose(curve[rate_hz // 100 - 1 :: rate_hz // 100], expected[1:], atol=1e-6)
