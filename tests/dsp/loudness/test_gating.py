"""The histogram against exact lists: gated means and percentiles of long, wide and odd distributions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.core.types import FloatArray
from dsp.loudness.gating import (
    INTEGRATED_GATE_LU,
    RANGE_GATE_LU,
    LoudnessHistogram,
    energy_of,
    integrated_loudness,
    loudness_of,
    loudness_range,
)

BLOCKS_IN_8_H = 288_000


def energies_of(loudness_lufs: FloatArray) -> FloatArray:
    return np.array(10.0 ** ((loudness_lufs + 0.691) / 10.0))


def exact_gate(energies: FloatArray, relative_lu: float) -> FloatArray:
    """The gated list by the text of BS.1770-5 Annex 1 and Tech 3342: absolute gate, then relative to the mean."""
    above = energies[energies > energies_of(np.array(-70.0))]
    return np.asarray(above[above > above.mean() * 10.0 ** (relative_lu / 10.0)])


def filled(energies: FloatArray, parts: int = 7) -> LoudnessHistogram:
    histogram = LoudnessHistogram()
    for part in np.array_split(energies, parts):
        histogram.add(part)
    return histogram


@pytest.mark.parametrize("seed", range(4))
def test_eight_hours_agree_with_the_exact_list(seed: int) -> None:
    rng = np.random.default_rng(seed)
    quiet_share = rng.uniform(0.1, 0.9)
    loud = rng.normal(-18.0, 6.0, BLOCKS_IN_8_H)
    loudness = np.where(rng.random(BLOCKS_IN_8_H) < quiet_share, loud - 20.0, loud)
    energies = energies_of(loudness)
    histogram = filled(energies)
    kept = exact_gate(energies, INTEGRATED_GATE_LU)
    assert integrated_loudness(histogram) == pytest.approx(loudness_of(float(kept.mean())), abs=0.01)
    values = np.sort(exact_gate(energies, RANGE_GATE_LU))
    low, high = (values[int((len(values) - 1) * percent / 100.0 + 0.5)] for percent in (10, 95))
    assert loudness_range(histogram) == pytest.approx(loudness_of(float(high)) - loudness_of(float(low)), abs=0.05)


def test_nothing_above_the_gate_is_not_a_number() -> None:
    histogram = filled(np.array([0.0, math.nan, energy_of(-71.0), energy_of(-70.0)]))
    assert math.isnan(integrated_loudness(histogram))
    assert math.isnan(loudness_range(histogram))


def test_the_relative_gate_is_strict_and_by_mean_power() -> None:
    # Two blocks 10 LU apart: the mean lies 2.6 LU under the louder, so the quieter passes; at 14 LU it does not.
    near, far = filled(energies_of(np.array([-20.0, -30.0]))), filled(energies_of(np.array([-20.0, -34.0])))
    assert integrated_loudness(near) == pytest.approx(-20.0 + 10.0 * math.log10(0.55), abs=1e-9)
    assert integrated_loudness(far) == pytest.approx(-20.0, abs=1e-9)


def test_what_is_far_above_full_scale_is_counted() -> None:
    loud = filled(energies_of(np.array([57.0, 57.0, 80.0])))
    assert integrated_loudness(loud) == pytest.approx(loudness_of(energy_of(80.0)), abs=1e-9)
    beyond = filled(energies_of(np.array([150.0, 160.0])))
    assert integrated_loudness(beyond) == pytest.approx(10.0 * math.log10((1e15 + 1e16) / 2.0), abs=1e-9)


def test_clear_forgets() -> None:
    histogram = filled(energies_of(np.array([-20.0])))
    histogram.clear()
    assert math.isnan(integrated_loudness(histogram))


@pytest.mark.parametrize(("values", "percentile", "place"), [(11, 95, 10), (11, 10, 1), (6, 10, 1), (12, 95, 10)])
def test_a_percentile_is_the_value_at_the_nearest_place(values: int, percentile: float, place: int) -> None:
    """EBU Tech 3342, reference code: place round((n - 1) p / 100) of the sorted list, halves up."""
    histogram = LoudnessHistogram()
    levels = -20.0 - 0.5 * np.arange(values)[::-1]
    histogram.add(np.array([energy_of(level) for level in levels]))
    found = loudness_of(histogram.gated_percentile(-20.0, percentile))
    assert found == pytest.approx(levels[place], abs=1e-9)
