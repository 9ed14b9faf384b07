"""K-weighting, channel weights, reference level and gates against ITU-R BS.1770-5 (11/2023)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dsp.core.signals import tone
from dsp.loudness.k_weighting import TABLE_RATE_HZ, k_weighting_sos
from meter.selftest.loudness import BS1770, CHECKS, COMPUTED, K_RESPONSE_DB, k_weighting_db, measured
from tests.support.published import by_source, hold_all

RATES_HZ = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)

# BS.1770-5 Annex 1, Tables 1 and 2: b0 b1 b2, a0 = 1, a1 a2 at 48 kHz.
TABLES = [
    [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585],
    [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
]

# The bilinear transform of those tables undone and done again elsewhere: mathematics, not printed in the document.
AT_OTHER_RATES = {
    44_100: [
        [1.5308803241355, -2.6513512928672, 1.1693440263290, 1.0, -1.6639018004963, 0.7127748580936],
        [0.9995600666185, -1.9991201332370, 0.9995600666185, 1.0, -1.9891696777723, 0.9891990399071],
    ],
    96_000: [
        [1.5596385964093, -2.9260149884435, 1.3776760908645, 1.0, -1.8441388648939, 0.8554385637242],
        [1.0024927850967, -2.0049855701934, 1.0024927850967, 1.0, -1.9950175369744, 0.9950237513099],
    ],
    192_000: [
        [1.5721793696936, -3.0468208548523, 1.4775787883018, 1.0, -1.9219065767674, 0.9248438799104],
        [1.0037426729359, -2.0074853458717, 1.0037426729359, 1.0, -1.9975072179907, 0.9975087735116],
    ],
}


def test_coefficients_at_48_khz_are_the_printed_ones() -> None:
    np.testing.assert_allclose(k_weighting_sos(TABLE_RATE_HZ), TABLES, rtol=0.0, atol=1e-14)


@pytest.mark.parametrize("rate_hz", AT_OTHER_RATES)
def test_coefficients_at_other_rates_invert_the_table_exactly(rate_hz: int) -> None:
    np.testing.assert_allclose(k_weighting_sos(rate_hz), AT_OTHER_RATES[rate_hz], rtol=0.0, atol=5e-13)


def test_annexes_1_and_3() -> None:
    hold_all(by_source(CHECKS, BS1770, COMPUTED))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_the_response_is_the_same_at_every_rate(rate_hz: int) -> None:
    # The Recommendation asks for the same frequency response at other rates; the bilinear transform bends the top.
    for frequency_hz, gain in K_RESPONSE_DB.items():
        if frequency_hz <= 10_000.0:
            assert k_weighting_db(frequency_hz, rate_hz) == pytest.approx(gain, abs=0.02)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("block_frames", [0, 480])
def test_a_full_scale_sine_reads_minus_3_01_at_every_rate(rate_hz: int, block_frames: int) -> None:
    signal = tone(997.0, 0.0, 2.0, rate_hz)
    check = next(check for check in CHECKS if check.name == "full-scale 997 Hz in L")
    hold_all([replace(check, measure=lambda: measured(signal, rate_hz, block_frames).integrated)])
