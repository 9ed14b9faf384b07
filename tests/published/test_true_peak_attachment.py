"""True peak against ITU-R BS.1770-5 Annex 2: its example filter, its Attachment 1, and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.core.signals import fade, tone
from dsp.peak.true_peak import ANNEX_2_FIR, OVERSAMPLING, interpolator, oversample
from meter.selftest.true_peak import ANNEX_2, CHECKS, CLOSED_FORM, metered
from tests.support.published import by_source, hold_all

# Annex 2, order 48: the first two of four phases as printed.
PRINTED = [
    [0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875, 0.1373291015625,
     0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250, 0.0148925781250, -0.0083007812500],
    [-0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500, 0.4650878906250,
     0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625, 0.0330810546875, -0.0189208984375],
]  # fmt: skip


def test_example_filter_is_the_printed_one() -> None:
    np.testing.assert_array_equal(ANNEX_2_FIR[:2], PRINTED)
    np.testing.assert_array_equal(ANNEX_2_FIR[3], ANNEX_2_FIR[0][::-1])
    np.testing.assert_array_equal(ANNEX_2_FIR[2], ANNEX_2_FIR[1][::-1])


def test_attachment_1() -> None:
    hold_all(by_source(CHECKS, ANNEX_2))


def test_closed_forms() -> None:
    hold_all(by_source(CHECKS, CLOSED_FORM))


def test_interpolator_is_within_0_05_db_of_the_ideal_delay_up_to_0_45_of_the_rate() -> None:
    rows = interpolator()
    places = np.arange(rows.shape[1]) - (rows.shape[1] // 2 - 1)
    frequencies = np.linspace(0.0, 0.45, 2000)
    for phase, row in enumerate(rows):
        gain = np.exp(-2j * np.pi * np.outer(frequencies, places)) @ row
        ideal = np.exp(-2j * np.pi * frequencies * phase / OVERSAMPLING)
        assert 20.0 * np.log10(1.0 + np.abs(gain - ideal).max()) < 0.05


@pytest.mark.parametrize("norm", [0.05, 0.1, 0.2083, 0.25, 0.3, 0.3333, 0.4, 0.44, 0.45])
def test_under_read_of_any_sine_stays_within_attachment_1(norm: float) -> None:
    # 20 log10 cos(pi f / (4 fs)) is what a perfect four-fold reading may miss; ours may add 0.05 dB of its own.
    worst = 20.0 * math.log10(math.cos(math.pi * norm / OVERSAMPLING))
    for phase_degrees in np.arange(0.0, 90.0, 7.5):
        signal = fade(tone(norm * 48_000.0, 0.0, 0.1, 48_000, phase_degrees=phase_degrees), 0.01, 48_000)
        assert worst - 0.05 <= metered(signal).true_max <= 0.05


def test_sines_at_minus_6_read_minus_6() -> None:
    # Faded 20 s sines would read within 0.01; a long enough sine meets the grid at every phase.
    for frequency_hz in (997.0, 6001.0, 12_007.0, 16_001.0, 19_001.0, 21_001.0):
        signal = fade(tone(frequency_hz, -6.0, 2.0, 48_000), 0.01, 48_000)
        assert metered(signal).true_max == pytest.approx(-6.0, abs=0.05)


def test_the_example_filter_alone_reads_below_the_samples_and_ours_never_does() -> None:
    # Annex 2's example has no phase that is the frame itself: a sine at rate/4 that hits its crests reads -0.197 dB.
    signal = fade(tone(12_000.0, 0.0, 0.5, 48_000), 0.01, 48_000)
    alone = 20.0 * math.log10(float(np.abs(oversample(signal, ANNEX_2_FIR)).max()))
    assert alone == pytest.approx(-0.197, abs=0.01)
    meter = metered(signal)
    assert meter.true_max >= meter.sample_max
