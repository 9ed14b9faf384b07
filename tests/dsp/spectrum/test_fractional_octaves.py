"""Bands are complete, meet each other, and the limits are those of the table."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.spectrum.fractional_octaves import (
    CLASS_1_STEPS,
    band,
    bands_between,
    class_1_frequency_ratio,
    class_1_limits,
    nominal,
)


def test_neighbours_share_an_edge() -> None:
    for bands_per_octave in (1, 2, 3, 6, 24):
        for index in (-5, 0, 7):
            first, second = band(index, bands_per_octave), band(index + 1, bands_per_octave)
            assert first.high_hz == pytest.approx(second.low_hz)
            assert first.mid_hz == pytest.approx(np.sqrt(first.low_hz * first.high_hz))


def test_ranges_by_nominal_name() -> None:
    thirds = bands_between(20.0, 20_000.0, 3)
    assert len(thirds) == 31
    assert thirds[0].nominal_hz == 20.0
    assert thirds[-1].nominal_hz == 20_000.0
    assert [item.nominal_hz for item in bands_between(31.5, 125.0, 1)] == [31.5, 63.0, 125.0]
    assert [item.index for item in bands_between(595.0, 1_189.0, 2)] == [-2, -1, 0]


def test_nominal_of_other_fractions_keeps_three_or_two_digits() -> None:
    assert nominal(1234.0, 12) == pytest.approx(1230.0)
    assert nominal(0.5678, 24) == pytest.approx(0.57)


def test_limits_are_the_table_at_its_points_and_lie_between_elsewhere() -> None:
    for bands_per_octave in (1, 3):
        ratios = np.array([class_1_frequency_ratio(step, bands_per_octave) for step in CLASS_1_STEPS])
        least, most = class_1_limits(ratios, bands_per_octave)
        np.testing.assert_allclose(least[[0, 3, 6, 7, 8, 9]], [-0.4, -0.4, 16.6, 40.5, 60.0, 70.0], atol=1e-9)
        np.testing.assert_allclose(most[:5], [0.4, 0.5, 0.7, 1.4, 5.3], atol=1e-9)
        below, _ = class_1_limits(1.0 / ratios, bands_per_octave)
        np.testing.assert_allclose(below[6:], least[6:], atol=1e-9)
    least, most = class_1_limits(np.array([1.42, 1.7, 100.0]), 1)
    assert 1.2 < least[0] < least[1] < 16.6
    assert least[2] == 70.0
    assert np.isinf(most).all()
