"""A and C weighting, F and S against IEC 61672-1:2013, class 1, at every rate; levels of weighted noise."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.signal import freqs_zpk, sosfreqz

from dsp.core.types import FloatArray
from dsp.exposure.frequency_weighting import NORMALISATION_DB, POLES_HZ, Weighting, weighting_db, weighting_sos
from meter.selftest.checks import Check
from meter.selftest.weighting import (
    TABLE_3,
    annex_e_checks,
    averaging_checks,
    exact_hz,
    noise_checks,
    steady_checks,
    table_3_checks,
    table_4_checks,
    table_5_checks,
)
from tests.support.published import hold_all

RATES_HZ = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000]


def at_all_rates(make: Callable[[int], list[Check]]) -> list[Check]:
    return [check for rate_hz in RATES_HZ for check in make(rate_hz)]


def test_table_3_frequency_weightings() -> None:
    hold_all(at_all_rates(table_3_checks))


def test_table_4_tone_bursts() -> None:
    hold_all(at_all_rates(table_4_checks))


def test_table_5_c_weighted_peak() -> None:
    hold_all(at_all_rates(table_5_checks))


def test_5_8_decay_and_agreement_of_steady_levels() -> None:
    hold_all(at_all_rates(steady_checks))


def test_annex_e_curve_and_filters() -> None:
    hold_all(annex_e_checks())


def test_5_8_exponentials() -> None:
    hold_all(averaging_checks())


def test_weighted_level_of_ideal_noise() -> None:
    hold_all(noise_checks())


def analogue_db(frequency_hz: FloatArray, weighting: Weighting) -> FloatArray:
    """Annex E as poles and zeros on the s-plane, evaluated by scipy: nothing of ours but the pole frequencies."""
    f1, f2, f3, f4 = (2.0 * np.pi * pole for pole in POLES_HZ)
    poles = [-f1, -f1, -f4, -f4] + ([-f2, -f3] if weighting == "A" else [])
    zeros = [0.0] * (4 if weighting == "A" else 2)
    _, response = freqs_zpk(zeros, poles, f4**2, worN=2.0 * np.pi * frequency_hz)
    return 20.0 * np.log10(np.abs(response)) - NORMALISATION_DB[weighting]


@pytest.mark.parametrize("weighting", ["A", "C"])
def test_annex_e_rounds_to_all_34_printed_values(weighting: Weighting) -> None:
    # At the exact frequencies; at the printed labels the A curve misses by up to 0.28 dB.
    printed = np.array([a if weighting == "A" else c for _, a, c, _, _ in TABLE_3])
    exact = np.array([exact_hz(nominal) for nominal, *_ in TABLE_3])
    np.testing.assert_allclose(weighting_db(exact, weighting), printed, atol=0.0501)
    np.testing.assert_allclose(weighting_db(exact, weighting), analogue_db(exact, weighting), atol=1e-9)


@pytest.mark.parametrize(("weighting", "printed"), [("A", -2.000), ("C", -0.062)])
def test_annex_e_normalisation(weighting: Weighting, printed: float) -> None:
    assert weighting_db(np.array([1000.0]), weighting)[0] == pytest.approx(0.0, abs=1e-4)
    assert NORMALISATION_DB[weighting] == pytest.approx(printed, abs=5e-4)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("weighting", ["A", "C"])
def test_the_filters_follow_annex_e_to_16_khz_far_closer_than_class_1(weighting: Weighting, rate_hz: int) -> None:
    hz = np.geomspace(10.0, 16_000.0, 600)
    _, response = sosfreqz(weighting_sos(rate_hz, weighting), hz, fs=rate_hz)
    assert np.abs(20.0 * np.log10(np.abs(response)) - analogue_db(hz, weighting)).max() < 0.035
